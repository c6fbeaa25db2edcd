"""The clinical composite: worse, unchanged or improved."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from registry.clinical.nyha import ROMAN
from registry.response.judgement import NOT_ASSESSABLE, Judgement
from registry.response.volumes import WINDOW_DAYS, _nearest_to_target

_RULE = (
    "Worse: death, admission for heart failure, resynchronisation stopped for worsening heart failure, a "
    "higher NYHA class, or a global assessment of moderately or markedly worse. Improved: none of these, "
    "and a lower NYHA class "
    "or a global assessment of moderately or markedly better. Otherwise unchanged. Assessed at the follow-up "
    "nearest to 6 months, within 3 to 12 months."
)
_SOURCE = "Packer, J Card Fail 2001;7:176 (from memory); the window is that of the volumes"
_BETTER = {"markedly_better", "moderately_better"}
_WORSE = {"markedly_worse", "moderately_worse"}


@dataclass(frozen=True)
class CompositeState:
    """NYHA class and global assessment of one day; either may be missing."""

    measured_on: dt.date
    nyha_class: int | None
    global_assessment: str | None


@dataclass(frozen=True)
class CompositeFacts:
    """What the composite looks at. ``setbacks``: day and words of death, admission or stopped resynchronisation."""

    implanted_on: dt.date
    nyha_before: int | None
    follow_ups: Sequence[CompositeState]
    setbacks: Sequence[tuple[dt.date, str]]
    today: dt.date


def _judged(verdict: str, word: str, reason: str) -> Judgement:
    return Judgement("Clinical composite", verdict, word, reason, _RULE, _SOURCE)


def clinical_composite(facts: CompositeFacts) -> Judgement:
    """Judge the clinical course after an implant.

    Parameters
    ----------
    facts
        The implant, the follow-ups and the setbacks.

    Returns
    -------
    Judgement
        The verdict with its reason, or that it cannot be judged and why.
    """
    known = [one for one in facts.follow_ups if one.nyha_class or one.global_assessment]
    state = _nearest_to_target(facts.implanted_on, known)
    window_end = facts.implanted_on + dt.timedelta(days=WINDOW_DAYS[1])
    until = state.measured_on if state else window_end
    for day, words in sorted(facts.setbacks):
        if facts.implanted_on <= day <= until:
            return _judged("worse", "Worse", f"{words}.")
    if state is None:
        waiting = facts.today <= window_end
        reason = (
            "The window of 3 to 12 months has not ended."
            if waiting
            else "No NYHA class and no global assessment between 3 and 12 months after the implant."
        )
        return _judged(NOT_ASSESSABLE, "Not assessable", reason)
    step, told = None, []
    if facts.nyha_before and state.nyha_class:
        step = state.nyha_class - facts.nyha_before
        told = [f"NYHA class {ROMAN[facts.nyha_before]} to {ROMAN[state.nyha_class]}"]
    if state.global_assessment:
        told.append(f"global assessment {state.global_assessment.replace('_', ' ')}")
    reason = f"{', '.join(told)}." if told else ""
    if (step or 0) > 0 or state.global_assessment in _WORSE:
        return _judged("worse", "Worse", reason)
    missing = [
        words
        for words, is_missing in (
            ("NYHA class before the implant", facts.nyha_before is None),
            ("NYHA class at follow-up", state.nyha_class is None),
            ("global assessment at follow-up", not state.global_assessment),
        )
        if is_missing
    ]
    # Without one of them nobody knows that it was not worse.
    if missing:
        return _judged(NOT_ASSESSABLE, "Not assessable", f"{reason} Not recorded: {', '.join(missing)}.".strip())
    if (step or 0) < 0 or state.global_assessment in _BETTER:
        return _judged("improved", "Improved", reason)
    return _judged("unchanged", "Unchanged", reason)
