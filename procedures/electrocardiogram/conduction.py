"""Definitions of left bundle branch block, clause by clause with the number behind each.

Every clause is true, false, or None where a lead or the sex it needs is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from .ecg import ElectrocardiogramError
from .waves import LeadQrs

Sex = Literal["female", "male"]
Value = float | int | str | None

_LATERAL = ("I", "aVL", "V5", "V6")
_NOTCH_LEADS = ("V1", "V2", "V5", "V6", "I", "aVL")
_NOTCHES_NEEDED = 2
STRICT_MS: Mapping[str, float] = {"male": 140.0, "female": 130.0}
GUIDELINE_MS = 120.0
R_PEAK_MS = 60.0


@dataclass(frozen=True)
class Clause:
    """One clause: what it asks, whether it is met, and the values it was judged by (by lead, or of the whole QRS)."""

    key: str
    text: str
    met: bool | None
    values: Mapping[str, Value]


@dataclass(frozen=True)
class Criteria:
    """A definition: met where every clause is, not met where one is not, None where that stays open."""

    name: str
    source: str
    clauses: tuple[Clause, ...]

    @property
    def met(self) -> bool | None:
        """All clauses together."""
        return _all([clause.met for clause in self.clauses])


def strict_lbbb(qrs_duration_ms: float, leads: Mapping[str, LeadQrs], sex: Sex | None = None) -> Criteria:
    """Strict left bundle branch block: Strauss et al., Am J Cardiol 2011;107:927.

    Parameters
    ----------
    qrs_duration_ms
        Global QRS duration, ms.
    leads
        The QRS of each lead; V1, V2, V5, V6, I and aVL are used.
    sex
        Decides between 140 ms (men) and 130 ms (women); without it a duration between them stays open.

    Returns
    -------
    Criteria
        Clause by clause. A duration of NaN meets none.

    Raises
    ------
    ElectrocardiogramError
        Where the sex is neither ``female``, ``male`` nor None.
    """
    if sex is not None and sex not in STRICT_MS:
        raise ElectrocardiogramError(f"The sex is 'female' or 'male', not '{sex}'.")
    if sex:
        long_enough: bool | None = bool(qrs_duration_ms >= STRICT_MS[sex])
        limit = f"{STRICT_MS[sex]:g} ms or more"
    else:
        open_ = STRICT_MS["female"] <= qrs_duration_ms < STRICT_MS["male"]
        long_enough = None if open_ else bool(qrs_duration_ms >= STRICT_MS["male"])
        limit = "140 ms or more in men, 130 ms or more in women (sex not recorded)"
    return Criteria(
        "Strict left bundle branch block",
        "Strauss et al., Am J Cardiol 2011;107:927",
        (
            Clause("duration", f"QRS duration {limit}", long_enough, {"QRS ms": qrs_duration_ms}),
            _qs_or_rs(leads, ("V1", "V2")),
            _notched(leads, _NOTCH_LEADS, _NOTCHES_NEEDED, "Mid-QRS notch or slur"),
        ),
    )


def esc_2013_lbbb(qrs_duration_ms: float, leads: Mapping[str, LeadQrs]) -> Criteria:
    """ESC 2013 pacing guideline (from memory; consistent with Neth Heart J 2021;29:643 table 2).

    Parameters
    ----------
    qrs_duration_ms
        Global QRS duration, ms; NaN meets no clause.
    leads
        The QRS of each lead; those missing leave their clauses open.

    Returns
    -------
    Criteria
        Clause by clause.
    """
    return Criteria(
        "Left bundle branch block, ESC 2013",
        "ESC guidelines on cardiac pacing 2013 (from memory)",
        (
            _duration(qrs_duration_ms),
            _qs_or_rs(leads, ("V1",)),
            _notched(leads, _LATERAL, 1, "Notched or slurred R", broad_r=True),
            _no_q(leads, ("V5", "V6")),
        ),
    )


def aha_2009_lbbb(qrs_duration_ms: float, leads: Mapping[str, LeadQrs]) -> Criteria:
    """AHA/ACCF/HRS 2009 (from memory; consistent with Neth Heart J 2021;29:643 table 2).

    The R-peak time runs to the last peak of a notched R, as the intrinsicoid deflection does. An RS in V5 or V6 stands
    for the notched R there ("occasional RS pattern attributed to displaced transition"). That the R-peak time of small
    r waves in V1 to V3 be normal is not asked: the text gives no limit.

    Parameters
    ----------
    qrs_duration_ms
        Global QRS duration, ms; NaN meets no clause.
    leads
        The QRS of each lead; those missing leave their clauses open.

    Returns
    -------
    Criteria
        Clause by clause.
    """
    late = [_r_peak_late(leads.get(name)) for name in ("V5", "V6")]
    values = {name: leads[name].intrinsicoid_ms if name in leads else None for name in ("V5", "V6")}
    return Criteria(
        "Left bundle branch block, AHA/ACCF/HRS 2009",
        "AHA/ACCF/HRS recommendations 2009 (from memory)",
        (
            _duration(qrs_duration_ms),
            _notched(
                leads, _LATERAL, len(_LATERAL), "Notched or slurred R (RS accepted in V5, V6)", True, ("V5", "V6")
            ),
            _no_q(leads, ("I", "V5", "V6")),
            Clause(
                "r_peak_time",
                f"R-peak time above {R_PEAK_MS:g} ms in V5 and V6, to the last peak (V1 to V3 not required)",
                _all(late),
                values,
            ),
        ),
    )


def _duration(qrs_duration_ms: float) -> Clause:
    met = bool(qrs_duration_ms >= GUIDELINE_MS)
    return Clause("duration", f"QRS duration {GUIDELINE_MS:g} ms or more", met, {"QRS ms": qrs_duration_ms})


def _qs_or_rs(leads: Mapping[str, LeadQrs], names: tuple[str, ...]) -> Clause:
    met = _all([leads[name].qs_or_rs if name in leads else None for name in names])
    patterns = {name: leads[name].pattern or None if name in leads else None for name in names}
    return Clause("qs_or_rs", f"QS or rS in {' and '.join(names)}", met, patterns)


def _notched(
    leads: Mapping[str, LeadQrs],
    names: tuple[str, ...],
    needed: int,
    what: str,
    broad_r: bool = False,
    or_rs: tuple[str, ...] = (),
) -> Clause:
    def has(name: str) -> bool | None:
        lead = leads.get(name)
        if lead is None or not lead.waves:
            return None
        if name in or_rs and lead.pattern == "RS":
            return True
        # the guidelines speak of the R wave: a notch of a mainly negative complex is none of it
        return (lead.notched or lead.slurred) and (not broad_r or lead.r_mv > lead.s_mv)

    found = {name: has(name) for name in names}
    count = sum(value is True for value in found.values())
    unknown = sum(value is None for value in found.values())
    met = True if count >= needed else (None if count + unknown >= needed else False)
    which = "all" if needed == len(names) else f"at least {needed}"
    values: dict[str, Value] = {name: _notch_word(leads.get(name), name in or_rs) for name in names}
    values["leads"] = count
    return Clause("notch", f"{what} in {which} of {', '.join(names)}", met, values)


def _no_q(leads: Mapping[str, LeadQrs], names: tuple[str, ...]) -> Clause:
    def absent(lead: LeadQrs | None) -> bool | None:
        return None if lead is None or not lead.waves else not lead.initial_negative

    met = _all([absent(leads.get(name)) for name in names])
    depths = {name: leads[name].q_mv if name in leads else None for name in names}
    return Clause("no_q", f"No q wave in {', '.join(names)} (depth in mV)", met, depths)


def _r_peak_late(lead: LeadQrs | None) -> bool | None:
    if lead is None or not lead.waves:
        return None
    return lead.intrinsicoid_ms is not None and lead.intrinsicoid_ms > R_PEAK_MS


def _notch_word(lead: LeadQrs | None, or_rs: bool) -> str | None:
    if lead is None or not lead.waves:
        return None
    if or_rs and lead.pattern == "RS":
        return "RS"
    return "notch" if lead.notched else "slur" if lead.slurred else "neither"


def _all(values: list[bool | None]) -> bool | None:
    if any(value is False for value in values):
        return False
    return None if any(value is None for value in values) else True
