"""Every choice of the pressure-volume engine, with its unit in its name."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Literal


@dataclass(frozen=True)
class Settings:
    """Tunables of :func:`procedures.haemodynamics.analyse`; all are stored with each result.

    Attributes
    ----------
    derivative_bandwidth_hz
        −3 dB bandwidth asked of the pressure derivative. ``None`` (default): the widest of a fixed ladder whose
        noise stays below ``derivative_noise_percent`` of dP/dtmax, chosen once for the whole recording so that
        every epoch is measured alike. The choice made is told in the quality notes.
    derivative_bandwidth_floor_hz
        Narrowest bandwidth of the ladder; below 40 to 50 Hz dP/dtmax is damped (from memory).
    derivative_noise_percent
        Noise (SD) of the derivative that is tolerated, in percent of the typical dP/dtmax.
    pressure_bandwidth_hz, volume_bandwidth_hz
        Zero-phase low-pass under which pressures and volumes are read off; that of volume holds at 60 beats a minute
        and is scaled with heart rate.
    locator_bandwidth_hz
        Low-pass under which the *time* of a maximum or minimum is found, at 60 beats a minute (scaled with
        heart rate). Its value is then read under the wider bandwidth, so noise is not mistaken for an extreme.
    slope_bandwidth_hz
        Narrowest low-pass (Gaussian, −3 dB) common to all segments before the signs of their slopes are compared;
        cleaner signals are smoothed less.
    slope_average_beats
        Neighbouring used beats of one epoch averaged on cycle phase for dyssynchrony and internal flow, where the
        segments are noisy.
    slope_dead_band_sd
        A slope smaller than this many SDs of its own noise counts as zero, and a zero slope as synchronous.
    end_diastole
        ``upstroke``: dP/dt crosses ``onset_fraction`` of its maximum. ``r_wave``: R peak (needs an ECG). The
        upstroke is the default: R-peak timing depends on the QRS shape, which changes with every pacing site.
    onset_fraction
        Fraction of dP/dtmax that marks the onset of the upstroke.
    end_systolic_v0_ml
        V0 in the end-systolic criterion max P/(V − V0).
    tau_end_above_edp_mmhg
        The relaxation window ends where pressure falls to the next beat's EDP plus this much.
    premature_fraction, compensated_fraction
        A beat this much early against its neighbours is ectopic; the second, smaller, suffices when the next
        interval is lengthened by as much.
    shape_fraction
        A beat whose peak pressure, dP/dtmax or stroke volume is this much off its neighbours', and far outside
        their own spread, is refused as an outlier.
    post_ectopic_beats, settling_beats, settling_s
        Beats excluded after an ectopic, and at the start of an epoch that follows another pacing state
        (whichever of the two settling rules is longer).
    irregular_rr_fraction, irregular_beneath_fraction
        Robust spread of the RR intervals about their neighbours' above which the rhythm is called irregular, over all
        intervals and over those left without early beats and the pauses after them; prematurity is then not judged.
    alike_fraction
        Short intervals this near to each other, and long ones, make taking turns a bigeminal pattern.
    qrs_likeness, strange_share
        A QRS that correlates less than this with the usual one of its stretch is unlike it; in an irregular rhythm
        such beats are ectopic where they are a smaller share than this.
    hidden_rise_mmhg, hidden_rise_fraction
        A rise of the pressure in diastole above the end-diastolic one, by this much and by this share of the pulse, is
        a contraction that made no beat.
    changing_rate_fraction
        Change of cycle length within an epoch, first third to last third, above which the rate is called changing.
    ratio_beats
        Fewest beats from which values in an irregular rhythm are brought to equal preceding cycles.
    whole_breaths
        Trim epochs to a whole number of breaths when breathing is identifiable.
    minimum_breaths
        An epoch with fewer breaths is not trimmed but noted.
    mains_hz
        Mains frequencies looked for; a line found is removed by a narrow notch and noted.
    noise_ratio
        A beat whose fast residual is this many times the recording's median is refused as noisy.
    lost_signal_ms
        Gaps up to this length are bridged; a beat with a longer one is refused.
    """

    derivative_bandwidth_hz: float | None = None
    derivative_bandwidth_floor_hz: float = 45.0
    derivative_noise_percent: float = 0.3
    pressure_bandwidth_hz: float = 40.0
    volume_bandwidth_hz: float = 25.0
    locator_bandwidth_hz: float = 8.0
    slope_bandwidth_hz: float = 12.0
    slope_average_beats: int = 9
    slope_dead_band_sd: float = 1.0
    end_diastole: Literal["upstroke", "r_wave"] = "upstroke"
    onset_fraction: float = 0.1
    end_systolic_v0_ml: float = 0.0
    tau_end_above_edp_mmhg: float = 5.0
    premature_fraction: float = 0.13
    compensated_fraction: float = 0.08
    shape_fraction: float = 0.30
    post_ectopic_beats: int = 2
    settling_beats: int = 2
    settling_s: float = 0.0
    irregular_rr_fraction: float = 0.12
    irregular_beneath_fraction: float = 0.06
    alike_fraction: float = 0.15
    qrs_likeness: float = 0.8
    strange_share: float = 0.3
    hidden_rise_mmhg: float = 6.0
    hidden_rise_fraction: float = 0.06
    changing_rate_fraction: float = 0.1
    ratio_beats: int = 12
    whole_breaths: bool = True
    minimum_breaths: float = 2.0
    mains_hz: tuple[float, ...] = (50.0, 60.0)
    noise_ratio: float = 6.0
    lost_signal_ms: float = 20.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, int | float) and not isinstance(value, bool):
                if not math.isfinite(value):
                    raise ValueError(f"Setting {field.name} must be a finite number, not {value}.")
                if value < 0 and field.name != "end_systolic_v0_ml":
                    raise ValueError(f"Setting {field.name} must not be negative, but is {value}.")
        positive = (
            "derivative_bandwidth_floor_hz",
            "pressure_bandwidth_hz",
            "volume_bandwidth_hz",
            "locator_bandwidth_hz",
            "slope_bandwidth_hz",
            "slope_average_beats",
            "noise_ratio",
        )
        for name in positive:
            if getattr(self, name) <= 0:
                raise ValueError(f"Setting {name} must be above zero, but is {getattr(self, name)}.")
        if self.derivative_bandwidth_hz is not None and self.derivative_bandwidth_hz <= 0:
            raise ValueError(f"Setting derivative_bandwidth_hz must be above zero: {self.derivative_bandwidth_hz}.")
        if not 0 < self.onset_fraction < 1:
            raise ValueError(f"Setting onset_fraction must lie between 0 and 1, but is {self.onset_fraction}.")
        if self.end_diastole not in ("upstroke", "r_wave"):
            raise ValueError(f"Setting end_diastole must be 'upstroke' or 'r_wave', not {self.end_diastole!r}.")
        object.__setattr__(self, "mains_hz", tuple(float(value) for value in self.mains_hz))
