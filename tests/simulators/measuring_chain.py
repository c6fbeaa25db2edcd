"""What a measuring chain makes of a true pressure and of true segment volumes.

A fluid-filled catheter is a second-order system with a natural frequency and a damping coefficient (Gardner,
Anesthesiology 1981;54:227; from memory), and a fast flush shows both: the swings after its release decay by
exp(-π·ζ/sqrt(1-ζ²)) each half period. The state is advanced exactly for inputs that are linear between samples, so the
catheter adds no error of its own. Segment faults follow how a conductance catheter goes wrong: a segment short-
circuited, moved, mis-wired, saturated or in the aorta, and a parallel conductance that drifts. Their sizes are chosen,
not measured (no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import expm
from scipy.signal import butter, sosfiltfilt

CMH2O_PER_MMHG = 1.35951  # conventional mmHg over conventional cmH2O (13.5951)
KPA_PER_MMHG = 0.133322
INPUT_HZ = 1000.0


@dataclass(frozen=True)
class Pressure:
    """Settings of the pressure channel. Frequencies in Hz, pressures in mmHg, times in s.

    ``steps`` are (time, added zero, factor of gain) from there on, as between two epochs. ``unit`` is what the numbers
    are in though the label says mmHg. ``whip_mmhg`` are knocks of the catheter at ``whip_hz``, one a beat where
    ``whips_s`` says. ``respiration_mmhg`` is half the swing of the chest's pressure.
    """

    natural_hz: float | None = None
    damping: float = 0.7
    flush_s: tuple[float, float] | None = None
    flush_mmhg: float = 300.0
    zero_mmhg: float = 0.0
    gain: float = 1.0
    drift_mmhg_per_min: float = 0.0
    steps: tuple[tuple[float, float, float], ...] = ()
    unit: str = "mmHg"
    whip_mmhg: float = 0.0
    whip_hz: float = 18.0
    whips_s: tuple[float, ...] = ()
    respiration_mmhg: float = 0.0
    respiration_hz: float = 0.25
    hum_mmhg: float = 0.0
    hum_hz: float = 50.0
    hum_harmonics: tuple[float, ...] = (1.0, 0.3, 0.2)
    noise_mmhg: float = 0.0
    sample_rate_hz: float = 1000.0
    step_mmhg: float = 0.0
    seed: int = 0


@dataclass(frozen=True)
class Segments:
    """Settings of the volume channels, base to apex. Volumes in mL.

    ``damped``: (segment, share of its swing that is left). ``jump``: (segment, time in s, mL). ``saturation_ml``: no
    segment reads more. ``aortic``: a segment above the valve reads a vessel that fills while the ventricle empties,
    with the given share of the swing. ``parallel_ml_per_min`` is the drift of all segments together.
    """

    damped: tuple[int, float] | None = None
    jump: tuple[int, float, float] | None = None
    reverse: bool = False
    swapped: tuple[int, int] | None = None
    parallel_ml_per_min: float = 0.0
    saturation_ml: float | None = None
    aortic: tuple[int, float] | None = None
    noise_ml: float = 0.0
    sample_rate_hz: float = 1000.0
    step_ml: float = 0.0
    seed: int = 0


@dataclass(frozen=True)
class Measured:
    """What came out, and beside it the truth at the same moments and the settings that made the difference."""

    time_s: np.ndarray
    signal: np.ndarray
    truth: np.ndarray
    sample_rate_hz: float
    settings: Pressure | Segments
    faults: tuple[str, ...] = field(default=())


def second_order(pressure: np.ndarray, natural_hz: float, damping: float, rate_hz: float = INPUT_HZ) -> np.ndarray:
    """The reading of a catheter, starting at rest on the first sample; exact for linear input between samples."""
    w = 2 * np.pi * natural_hz
    # The input and its slope are two more states, so one matrix exponential holds the whole step.
    a = np.zeros((4, 4))
    a[0, 1] = 1.0
    a[1] = (-(w**2), -2 * damping * w, w**2, 0.0)
    a[2, 3] = 1.0
    step = expm(a / rate_hz)
    m00, m01, m02, m03 = step[0].tolist()
    m10, m11, m12, m13 = step[1].tolist()
    values = np.asarray(pressure, float)
    slopes = np.append(np.diff(values) * rate_hz, 0.0).tolist()
    reading, speed, out = float(values[0]), 0.0, []
    for value, slope in zip(values.tolist(), slopes, strict=True):
        out.append(reading)
        reading, speed = (
            m00 * reading + m01 * speed + m02 * value + m03 * slope,
            m10 * reading + m11 * speed + m12 * value + m13 * slope,
        )
    return np.array(out)


def sampled(signal: np.ndarray, rate_hz: float) -> np.ndarray:
    """Every n-th sample after a zero-phase low-pass at 0.4 of the new rate; 1000 Hz stays as it is."""
    every = INPUT_HZ / rate_hz
    if every != int(every) or every < 1:
        raise ValueError("the rate must divide 1000 Hz")
    if every == 1:
        return signal
    low_pass = butter(8, 0.4 * rate_hz, fs=INPUT_HZ, output="sos")
    return sosfiltfilt(low_pass, signal, axis=-1)[..., :: int(every)]


def _rounded(signal: np.ndarray, step: float) -> np.ndarray:
    return np.round(signal / step) * step if step else signal


def measure_pressure(true_mmhg: np.ndarray, settings: Pressure) -> Measured:
    """Pass a pressure (samples, at 1 kHz) through catheter, transducer and converter, in this order."""
    s = settings
    rng = np.random.default_rng(s.seed)
    true = np.asarray(true_mmhg, float)
    t = np.arange(true.size) / INPUT_HZ
    faults = []
    x = true + s.respiration_mmhg * np.sin(2 * np.pi * s.respiration_hz * t)
    if s.respiration_mmhg:
        faults.append("respiration")
    if s.flush_s:
        x = np.where((t >= s.flush_s[0]) & (t < s.flush_s[1]), s.flush_mmhg, x)
        faults.append("flush")
    for at in s.whips_s if s.whip_mmhg else ():
        since = np.maximum(t - at, 0)
        x = x + s.whip_mmhg * np.sin(2 * np.pi * s.whip_hz * since) * np.exp(-since / 0.05)
        faults.append("whip")
    if s.natural_hz:
        x = second_order(x, s.natural_hz, s.damping)
        faults.append("catheter")
    x = s.gain * x + s.zero_mmhg + s.drift_mmhg_per_min * t / 60
    faults += [
        name
        for name, present in (
            ("gain", s.gain != 1),
            ("zero", s.zero_mmhg),
            ("drift", s.drift_mmhg_per_min),
            ("step", s.steps),
        )
        if present
    ]
    for at, zero, gain in s.steps:
        x = np.where(t >= at, gain * x + zero, x)
    if s.unit != "mmHg":
        x = x * {"cmH2O": CMH2O_PER_MMHG, "kPa": KPA_PER_MMHG}[s.unit]
        faults.append("unit")
    for k, share in enumerate(s.hum_harmonics if s.hum_mmhg else (), start=1):
        x = x + s.hum_mmhg * share * np.sin(2 * np.pi * k * s.hum_hz * t + 0.7 * k)
    x = x + s.noise_mmhg * rng.standard_normal(x.size)
    out = _rounded(sampled(x, s.sample_rate_hz), s.step_mmhg)
    every = int(INPUT_HZ / s.sample_rate_hz)
    return Measured(t[::every], out, true[::every], s.sample_rate_hz, s, tuple(dict.fromkeys(faults)))


def measure_segments(true_ml: np.ndarray, settings: Segments) -> Measured:
    """Pass segment volumes (segments, samples at 1 kHz) through a conductance catheter and its converter."""
    s = settings
    rng = np.random.default_rng(s.seed)
    true = np.asarray(true_ml, float)
    t = np.arange(true.shape[1]) / INPUT_HZ
    x = true.copy()
    faults = []
    if s.aortic:
        segment, share = s.aortic
        whole = true.sum(axis=0)
        x[segment] = x[segment].mean() - share * (whole - whole.mean()) / len(x)
        faults.append("aortic")
    if s.damped:
        segment, share = s.damped
        x[segment] = x[segment].mean() + share * (x[segment] - x[segment].mean())
        faults.append("damped")
    if s.jump:
        segment, at, size = s.jump
        x[segment] += np.where(t >= at, size, 0.0)
        faults.append("jump")
    if s.parallel_ml_per_min:
        x += s.parallel_ml_per_min * t / 60 / len(x)
        faults.append("parallel conductance")
    if s.saturation_ml is not None:
        x = np.minimum(x, s.saturation_ml)
        faults.append("saturation")
    if s.swapped:
        first, second = s.swapped
        x[[first, second]] = x[[second, first]]
        faults.append("swapped")
    if s.reverse:
        x = x[::-1]
        faults.append("reversed")
    x = x + s.noise_ml * rng.standard_normal(x.shape)
    out = _rounded(sampled(x, s.sample_rate_hz), s.step_ml)
    every = int(INPUT_HZ / s.sample_rate_hz)
    return Measured(t[::every], out, true[:, ::every], s.sample_rate_hz, s, tuple(faults))
