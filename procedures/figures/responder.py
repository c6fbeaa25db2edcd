"""Published limits above which an acute change was called a response. Drawn as a line; nothing is judged by it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ResponderLimit:
    """A limit in percent of baseline, with where it comes from in words for the page."""

    percent: float
    words: str


# The stroke-work figure was read in the paper (de Roest et al., Eur J Heart Fail 2013;15:299); the dP/dt max rule
# (Duckett et al., J Am Coll Cardiol 2011;58:1128) is quoted from memory.
RESPONDER_LIMITS = {
    "stroke_work_mmhg_ml": ResponderLimit(
        20.0,
        "Stroke work at least 20 % above baseline was associated with response at 6 months in 41 patients "
        "(de Roest et al., Eur J Heart Fail 2013;15:299).",
    ),
    "dpdt_max_mmhg_per_s": ResponderLimit(
        10.0,
        "dP/dt max at least 10 % above baseline is the most common definition of an acute responder "
        "(Duckett et al., J Am Coll Cardiol 2011;58:1128); a later study did not confirm it "
        "(Bogaard et al., Eur J Heart Fail 2011). Quoted from memory.",
    ),
}
