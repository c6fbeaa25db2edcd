"""Lead measurements by electrode pair: the latest values, the strength-duration curve, margins and limits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from procedures.electrocardiogram import (
    ElectrocardiogramError,
    StrengthDuration,
    fit_strength_duration,
    phrenic_ratio,
    pulse_energy_uj,
    safety_margin,
    safety_margin_at,
)
from procedures.limits import (
    IMPEDANCE_LIMITS_OHM,
    LIMIT_PULSE_WIDTH_MS,
    MAX_CAPTURE_THRESHOLD_V,
    MIN_SAFETY_MARGIN,
    phrenic_ok,
    threshold_ok,
)
from procedures.models import LeadMeasurement, Site

# A quadripolar left ventricular lead, tip first, and what can be paced against outside it (common practice, no source).
CATHODES = ("LV1", "LV2", "LV3", "LV4")
ANODES = (*CATHODES, "RV coil", "Can")
_OTHER_VALUES = (
    "sensed_r_wave_mv", "impedance_ohm", "phrenic_threshold_v", "phrenic_none_up_to_v", "qrs_duration_ms",
    "output_v", "qrs_notes",
)  # fmt: skip


def pair_of(measurement: LeadMeasurement, site: Site) -> tuple[str, str]:
    """Return cathode and anode; a measurement without its own was made with the site's."""
    return (measurement.cathode, measurement.anode) if measurement.cathode else (site.cathode, site.anode)


def in_force(site: Site, measurements: Iterable[LeadMeasurement]) -> list[LeadMeasurement]:
    """Return what counts for the site in order of time: its own electrodes, without mere points of a curve.

    A threshold at another pulse width than the usual one, with nothing else, is a point of the strength-duration curve
    and does not stand for the site, unless there is nothing else.
    """
    ordered = sorted(measurements, key=lambda m: (m.measured_at, m.pk))
    own = [m for m in ordered if pair_of(m, site) == (site.cathode, site.anode)]
    whole = [
        m
        for m in own
        if m.pulse_width_ms in (None, LIMIT_PULSE_WIDTH_MS)
        or any(getattr(m, name) not in (None, "") for name in _OTHER_VALUES)
    ]
    return whole or own


@dataclass(frozen=True)
class CurvePoint:
    """The latest threshold at a pulse width, and the energy of that pulse where an impedance is known."""

    width_ms: float
    threshold_v: float
    energy_uj: float | None


@dataclass(frozen=True)
class Pair:
    """What is known of one electrode pair, of each quantity the latest, and what its limits say.

    Attributes
    ----------
    own
        Whether it is the site's configuration.
    threshold, phrenic
        The measurements that the threshold and the answer about the phrenic nerve stand in. A threshold that the limit
        can be held against stands over one that it cannot.
    ratio, ratio_at_least
        Phrenic over capture threshold at one pulse width; a lower bound where nothing moved up to the highest output.
    curve, curve_refusal
        The strength-duration curve, or why there is none with two pulse widths or more.
    output, margin, margin_from
        The programmed output, how many times the threshold it is, and what that threshold was.
    """

    cathode: str
    anode: str
    own: bool
    measurements: list[LeadMeasurement]
    threshold: LeadMeasurement | None
    phrenic: LeadMeasurement | None
    ratio: float | None
    ratio_at_least: bool
    impedance_ohm: float | None
    sensed_r_wave_mv: float | None
    points: list[CurvePoint]
    curve: StrengthDuration | None
    curve_refusal: str
    output: LeadMeasurement | None
    margin: float | None
    margin_from: str

    @property
    def name(self) -> str:
        """Cathode to anode."""
        return f"{self.cathode} to {self.anode}" if self.cathode and self.anode else "electrodes not recorded"

    @property
    def threshold_ok(self) -> bool | None:
        """At most 2.5 V at 0.5 ms; None where that cannot be told."""
        return (
            threshold_ok(self.threshold.capture_threshold_v, self.threshold.pulse_width_ms) if self.threshold else None
        )

    @property
    def phrenic_ok(self) -> bool | None:
        """Phrenic stimulation at twice the capture threshold or more; None where the test did not go that far."""
        return phrenic_ok(self.ratio, self.ratio_at_least)

    @property
    def impedance_ok(self) -> bool | None:
        """Inside the technical range."""
        if self.impedance_ohm is None:
            return None
        return IMPEDANCE_LIMITS_OHM[0] <= self.impedance_ohm <= IMPEDANCE_LIMITS_OHM[1]

    @property
    def acceptable(self) -> bool | None:
        """Threshold and phrenic margin together."""
        both = (self.threshold_ok, self.phrenic_ok)
        return False if False in both else None if None in both else True

    @property
    def margin_ok(self) -> bool | None:
        """The programmed output at twice the threshold or more."""
        return None if self.margin is None else self.margin >= MIN_SAFETY_MARGIN

    @property
    def concerns(self) -> list[str]:
        """What certainly breaks a limit, in words. An empty list is no clearance: see ``not_judged``."""
        found = []
        if self.threshold and self.threshold_ok is False:
            at = f"{self.threshold.pulse_width_ms:g} ms"
            found.append(
                f"threshold {self.threshold.capture_threshold_v:g} V above {MAX_CAPTURE_THRESHOLD_V:g} V at {at}"
            )
        if self.phrenic_ok is False:
            found.append(f"phrenic stimulation at {self.ratio:.1f} times the capture threshold")
        return found

    @property
    def not_judged(self) -> list[str]:
        """What the limits could not be held against, and why, in words."""
        found = []
        if self.threshold is None:
            found.append("no threshold")
        elif self.threshold_ok is None:
            found.append(f"threshold at {self.threshold.pulse_width_ms:g} ms")
        if self.phrenic is None:
            found.append("phrenic stimulation not tested")
        elif self.phrenic_ok is None:
            if self.ratio is not None:
                found.append(
                    f"phrenic stimulation tested only to {self.phrenic.phrenic_none_up_to_v:g} V, below twice "
                    "the threshold"
                )
            elif self.threshold:
                found.append("phrenic stimulation tested at a different pulse width from the threshold")
            else:
                found.append("phrenic stimulation without a capture threshold")
        return found


# What is not judged where nothing was measured with the site's electrodes.
NOTHING_JUDGED = ("no threshold", "phrenic stimulation not tested")


@dataclass(frozen=True)
class ElectrodeGrid:
    """Cathodes by anodes; a cell is None where the pair was not tried, and the diagonal is no pair."""

    cathodes: tuple[str, ...]
    anodes: tuple[str, ...]
    rows: list[tuple[str, list[tuple[str, Pair | None]]]]
    pairs: list[Pair]
    acceptable: int
    judged: int


def electrode_pairs(site: Site, measurements: Sequence[LeadMeasurement]) -> list[Pair]:
    """Return the pairs that were tried at a site, its own first."""
    by_pair: dict[tuple[str, str], list[LeadMeasurement]] = defaultdict(list)
    for measurement in sorted(measurements, key=lambda m: (m.measured_at, m.pk)):
        by_pair[pair_of(measurement, site)].append(measurement)
    own = (site.cathode, site.anode)
    return [_pair(pair, pair == own, by_pair[pair]) for pair in sorted(by_pair, key=lambda p: (p != own, p))]


def site_pair(site: Site, measurements: Iterable[LeadMeasurement]) -> Pair | None:
    """Return what stands for the site: its own electrode pair, or None where nothing was measured with it."""
    own = (site.cathode, site.anode)
    ordered = sorted(measurements, key=lambda m: (m.measured_at, m.pk))
    mine = [m for m in ordered if pair_of(m, site) == own]
    return _pair(own, True, mine) if mine else None


def electrode_grid(site: Site, measurements: Sequence[LeadMeasurement]) -> ElectrodeGrid:
    """Arrange the pairs of a site as cathodes by anodes."""
    pairs = electrode_pairs(site, measurements)
    known = {(pair.cathode, pair.anode): pair for pair in pairs}
    cathodes = tuple(dict.fromkeys((*CATHODES, *(p.cathode for p in pairs if p.cathode))))
    anodes = tuple(dict.fromkeys((*ANODES, *(p.anode for p in pairs if p.anode))))
    rows = [(c, [(a, known.get((c, a))) for a in anodes]) for c in cathodes]
    judged = [pair.acceptable for pair in pairs if pair.acceptable is not None]
    return ElectrodeGrid(cathodes, anodes, rows, pairs, sum(judged), len(judged))


def _pair(pair: tuple[str, str], own: bool, measurements: list[LeadMeasurement]) -> Pair:
    with_threshold = [m for m in measurements if m.capture_threshold_v is not None]
    judged = [m for m in with_threshold if _can_be_judged(m)]
    threshold = _last(judged or with_threshold)
    phrenic = _last(m for m in measurements if (m.phrenic_threshold_v or m.phrenic_none_up_to_v) is not None)
    impedance = _last(m for m in measurements if m.impedance_ohm is not None)
    sensing = _last(m for m in measurements if m.sensed_r_wave_mv is not None)
    output = _last(m for m in measurements if m.output_v is not None)
    ohm = impedance.impedance_ohm if impedance else None
    latest = {m.pulse_width_ms: m for m in with_threshold if m.pulse_width_ms}
    points = [_point(latest[width], ohm) for width in sorted(latest)]
    curve, refusal = _curve(points)
    ratio, at_least = _ratio(threshold, phrenic)
    margin, source = _margin(output, points, curve)
    return Pair(
        *pair,
        own,
        measurements,
        threshold,
        phrenic,
        ratio,
        at_least,
        ohm,
        sensing.sensed_r_wave_mv if sensing else None,
        points,
        curve,
        refusal,
        output,
        margin,
        source,
    )


def _can_be_judged(measurement: LeadMeasurement) -> bool:
    """At the limit's width, or so high at a wider pulse that it breaks the limit all the same."""
    return threshold_ok(measurement.capture_threshold_v, measurement.pulse_width_ms) is not None


def _last(measurements: Iterable[LeadMeasurement]) -> LeadMeasurement | None:
    return next(reversed(list(measurements)), None)


def _point(measurement: LeadMeasurement, ohm: float | None) -> CurvePoint:
    volts, width = measurement.capture_threshold_v or 0.0, measurement.pulse_width_ms or 0.0
    return CurvePoint(width, volts, pulse_energy_uj(volts, width, ohm) if ohm else None)


def _curve(points: list[CurvePoint]) -> tuple[StrengthDuration | None, str]:
    if len(points) < 2:
        return None, ""
    try:
        return fit_strength_duration([p.width_ms for p in points], [p.threshold_v for p in points]), ""
    except ElectrocardiogramError as error:
        return None, str(error)


def _ratio(threshold: LeadMeasurement | None, phrenic: LeadMeasurement | None) -> tuple[float | None, bool]:
    """Both must be of one pulse width; a phrenic test without one of its own took that of the threshold."""
    if threshold is None or phrenic is None or not threshold.capture_threshold_v:
        return None, False
    if phrenic.pulse_width_ms not in (None, threshold.pulse_width_ms):
        return None, False
    volts = phrenic.phrenic_threshold_v
    if volts is not None:
        return phrenic_ratio(volts, threshold.capture_threshold_v), False
    return phrenic_ratio(phrenic.phrenic_none_up_to_v or 0.0, threshold.capture_threshold_v), True


def _margin(
    output: LeadMeasurement | None, points: list[CurvePoint], curve: StrengthDuration | None
) -> tuple[float | None, str]:
    if output is None or output.output_v is None or output.output_width_ms is None:
        return None, ""
    at_width = [p for p in points if p.width_ms == output.output_width_ms]
    if at_width:
        return safety_margin(output.output_v, at_width[0].threshold_v), "the threshold measured at this pulse width"
    if curve:
        return safety_margin_at(curve, output.output_v, output.output_width_ms), "the threshold from the fitted curve"
    return None, "no threshold at this pulse width and no fitted curve"
