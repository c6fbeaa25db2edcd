"""One measured electrocardiogram as its page shows it: clauses with numbers, against baseline and logged position."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from procedures.electrocardiogram import (
    Capture,
    PositionFinding,
    QrsChange,
    Suspicion,
    axis_word,
    capture_by_ratio,
    capture_lost,
    capture_with_q,
    change_from_baseline,
    fusion,
    position_findings,
)
from procedures.electrocardiogram.position import CAVEAT
from procedures.models import Chambers, EcgMeasurement, Site, Vein
from procedures.pipeline.ecg_kept import leads_of, restored

# Wall of the free wall segments (names: Cerqueira et al., Circulation 2002;105:539); septum and apex have none.
WALL_OF_SEGMENT = {
    **dict.fromkeys((1, 7, 13), "anterior"),
    **dict.fromkeys((6, 12), "anterolateral"),
    16: "lateral",
    **dict.fromkeys((5, 11), "posterolateral"),
    **dict.fromkeys((4, 10, 15), "inferior"),
}
# Where no segment was logged, the vein says the wall (anatomy; common practice, no source).
WALL_OF_VEIN = {
    Vein.MIDDLE_CARDIAC: "inferior",
    Vein.POSTERIOR: "posterior",
    Vein.POSTEROLATERAL: "posterolateral",
    Vein.LATERAL: "lateral",
    Vein.ANTEROLATERAL: "anterolateral",
    Vein.ANTERIOR_INTERVENTRICULAR: "anterior",
}
DEFINITIONS = (
    ("strict_lbbb", "Strict left bundle branch block"),
    ("esc_2013_lbbb", "Left bundle branch block, ESC 2013"),
    ("aha_2009_lbbb", "Left bundle branch block, AHA/ACCF/HRS 2009"),
)


@dataclass(frozen=True)
class ClauseRow:
    """One clause: what it asks, whether it is met (None: open), and the numbers behind it in words."""

    text: str
    met: bool | None
    numbers: str


@dataclass(frozen=True)
class Definition:
    """A definition with its clauses."""

    name: str
    source: str
    met: bool | None
    clauses: list[ClauseRow]


@dataclass(frozen=True)
class EcgReading:
    """Everything the page says beside the drawing."""

    ecg: EcgMeasurement
    baseline: EcgMeasurement | None
    definitions: list[Definition]
    axis: str
    morphology: list[ClauseRow]
    captures: list[Capture]
    change: QrsChange | None
    fusion: Suspicion
    lost: Suspicion
    wall: str
    wall_from: str
    position: list[PositionFinding]

    @property
    def contradicted(self) -> list[PositionFinding]:
        """Expectations of the logged position that this electrocardiogram does not meet."""
        return [finding for finding in self.position if finding.agrees is False]

    @property
    def position_caveat(self) -> str:
        """How far the patterns can be trusted, in the mode that was paced."""
        mode = _chambers(self.ecg)
        if mode in ("", Chambers.BIV):
            return CAVEAT
        return f"{CAVEAT} In this ECG not both ventricles were paced, so the patterns may differ."

    @property
    def moved(self) -> bool:
        """Whether the epoch was moved after the measurement, so that another stretch was measured."""
        epoch = self.ecg.epoch
        if epoch is None or epoch.recording_start_s is None or epoch.recording_end_s is None:
            return False
        return not (
            epoch.recording_start_s - 0.01 <= self.ecg.start_s <= self.ecg.end_s <= epoch.recording_end_s + 0.01
        )

    @property
    def other_sex(self) -> bool:
        """Whether the patient's sex was corrected after the measurement, on which the strict definition hangs."""
        sex = self.ecg.recording.session.patient.sex
        return bool(self.ecg.result.get("sex") != sex)


def read_ecg(ecg: EcgMeasurement, baseline: EcgMeasurement | None) -> EcgReading:
    """Put together what an electrocardiogram says; ``baseline`` is the one it is held against."""
    values = ecg.result
    leads = leads_of(values)
    change = change_between(ecg, baseline) if baseline else None
    baseline_paced = baseline.paced if baseline else True
    captures = [judge(leads.get("V1"), leads.get("I")) for judge in (capture_by_ratio, capture_with_q)]
    site = ecg.state_site
    wall, wall_from = logged_wall(site) if site and ecg.paced else ("", "")
    # The steps were made to find lost left ventricular capture while both ventricles are paced.
    judged = site is not None and ecg.paced and _chambers(ecg) in ("", Chambers.BIV)
    return EcgReading(
        ecg=ecg,
        baseline=baseline,
        definitions=[_definition(name, values[key]) for key, name in DEFINITIONS],
        axis="" if ecg.axis_degrees is None else axis_word(ecg.axis_degrees),
        morphology=_morphology(values["morphology"]),
        captures=captures if judged else [],
        change=change,
        fusion=fusion(ecg.latency_ms, values["qrs_onset_sd_ms"], change, baseline_paced),
        lost=capture_lost(captures[1] if judged else None, ecg.paced and site is not None, change, baseline_paced),
        wall=wall,
        wall_from=wall_from,
        position=list(position_findings(wall, leads)) if wall else [],
    )


def _chambers(ecg: EcgMeasurement) -> str:
    """Which chambers were paced; empty where nobody logged it."""
    pacing = ecg.epoch.pacing if ecg.epoch else None
    return pacing.chambers if pacing else ""


def change_between(ecg: EcgMeasurement, baseline: EcgMeasurement) -> QrsChange:
    """Return the change from one measured electrocardiogram to another."""
    return change_from_baseline(
        restored(ecg.result, ecg.beat.samples), restored(baseline.result, baseline.beat.samples)
    )


def logged_wall(site: Site) -> tuple[str, str]:
    """Return the wall a site was logged at, and what says so; empty where neither segment nor vein lies on one."""
    if site.aha_segment in WALL_OF_SEGMENT:
        return WALL_OF_SEGMENT[site.aha_segment], f"AHA segment {site.aha_segment}"
    if site.aha_segment is None and (wall := WALL_OF_VEIN.get(Vein(site.tributary.vein))):
        return wall, str(site.tributary).lower()
    return "", ""


def _definition(name: str, kept: dict[str, Any]) -> Definition:
    rows = [ClauseRow(clause["text"], clause["met"], _numbers(clause["values"])) for clause in kept["clauses"]]
    return Definition(name, kept["source"], kept["met"], rows)


def _numbers(values: dict[str, Any]) -> str:
    return ", ".join(
        f"{value} leads" if name == "leads" else f"{name.removesuffix(' ms')} {_word(name, value)}"
        for name, value in values.items()
    )


def _word(name: str, value: Any) -> str:
    if value is None:
        return "not assessable"
    if isinstance(value, float):
        return f"{value:.0f} ms" if name.endswith(" ms") or value > 10 else f"{value:.2f}"
    return str(value)


def _morphology(kept: dict[str, Any]) -> list[ClauseRow]:
    rows = [ClauseRow("Lead I begins with q, Q or QS", kept["q_in_I"], kept["pattern_I"] or "no clear wave")]
    for lead in ("I", "V1", "V2"):
        ratio, word, pattern = kept[f"r_s_{lead}"], kept[f"r_s_word_{lead}"], kept[f"pattern_{lead}"]
        met = None if word == "not assessable" else word == ">= 1"
        number = word if met is None else "no S" if ratio is None else f"R/S {ratio:.2f}"
        rows.append(ClauseRow(f"R/S in {lead} at least 1", met, f"{pattern or 'no clear wave'}, {number}"))
    return rows
