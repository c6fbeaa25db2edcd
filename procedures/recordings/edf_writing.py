"""Writing EDF+ files."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .signals import Channel, RecordingError, Signals

# A record is advised to stay within 61 440 bytes (Kemp et al. 1992); about a second is what viewers expect.
_RECORD_BYTES = 61_440
_RECORD_BYTES_HARD = 10_000_000  # common readers refuse longer ones


def write_edf(path: Path | str, signals: Signals) -> None:
    """Write signals as a continuous EDF+ file with their annotations.

    Values are stored as 16-bit integers over each channel's own range, so each is off by at most half of
    (maximum - minimum) / 65 535.

    Parameters
    ----------
    path
        File to write; an existing file is replaced.
    signals
        Every channel must last equally long, hold finite values, and have a label of at most 16 and a unit
        of at most 8 ASCII characters (a micro sign is written as ``u``). No patient identity is written.

    Raises
    ------
    RecordingError
        Where the signals do not fit the format; nothing is written then.
    """
    import edfio

    if not signals.channels:
        raise RecordingError("There is no channel to write.")
    record_s = _record_duration(signals.channels)
    started = signals.started_at
    if started is not None and not 1985 <= started.year <= 2084:
        raise RecordingError(f"EDF+ cannot hold the year {started.year}; 1985 to 2084 are possible.")
    if any(a.onset_s < 0 or (a.duration_s is not None and a.duration_s < 0) for a in signals.annotations):
        raise RecordingError("An annotation starts before the recording or has a negative duration.")
    edf = edfio.Edf(
        [_signal(channel) for channel in signals.channels],
        recording=edfio.Recording(startdate=started.date() if started else None),
        starttime=started.time() if started else None,
        data_record_duration=float(record_s),
        annotations=[
            edfio.EdfAnnotation(a.onset_s, a.duration_s, "".join(c for c in a.text if c.isprintable()))
            for a in signals.annotations
        ],
    )
    edf.write(Path(path))


def _signal(channel: Channel):  # type: ignore[no-untyped-def]  # the library is loaded only when needed
    import edfio

    samples = np.asarray(channel.samples, dtype=np.float64)
    unit = channel.unit.replace("µ", "u").replace("μ", "u")
    for text, width, what in ((channel.label, 16, "label"), (unit, 8, "unit")):
        if len(text) > width or not text.isascii() or not text.isprintable():
            raise RecordingError(f"EDF cannot hold the {what} '{text}': at most {width} plain ASCII characters.")
    if not np.all(np.isfinite(samples)):
        raise RecordingError(f"Channel '{channel.label}' holds values that are not numbers; EDF cannot store them.")
    return edfio.EdfSignal(
        samples,
        channel.sample_rate_hz,
        label=channel.label,
        physical_dimension=unit,
        physical_range=_physical_range(samples),
    )


def _physical_range(samples: NDArray[np.float64]) -> tuple[float, float]:
    """Smallest range around the samples whose limits fit the eight characters of the header."""
    low, high = float(samples.min()), float(samples.max())
    if low == high:
        high = low + 1.0
    limits = []
    for value, outwards in ((low, math.floor), (high, math.ceil)):
        digits = 7 - len(str(int(abs(value)))) - (value < 0)
        if digits < -1:
            raise RecordingError(f"EDF cannot hold values as large as {value:g}.")
        scale = 10 ** max(0, digits)
        limits.append(outwards(value * scale) / scale)
    return limits[0], limits[1]


def _record_duration(channels: tuple[Channel, ...]) -> Fraction:
    """A record length of about a second that divides the recording and every channel evenly, s."""
    rates = [Fraction(channel.sample_rate_hz).limit_denominator(100_000) for channel in channels]
    if any(rate <= 0 for rate in rates) or any(len(channel.samples) == 0 for channel in channels):
        raise RecordingError("A channel without samples or with a sampling rate of zero cannot be written.")
    durations = {len(channel.samples) / rate for channel, rate in zip(channels, rates, strict=True)}
    if len(durations) > 1:
        raise RecordingError("EDF needs channels of equal duration; these last " + _listed(durations) + ".")
    total = durations.pop()
    common = math.gcd(*(len(channel.samples) for channel in channels))
    counts = {d for i in range(1, math.isqrt(common) + 1) if common % i == 0 for d in (i, common // i)}
    words = sum(len(channel.samples) for channel in channels)
    fitting = [n for n in counts if _is_exact(total / n, n)]
    small = [n for n in fitting if 2 * words // n <= _RECORD_BYTES] or fitting
    small = [n for n in small if 2 * words // n <= _RECORD_BYTES_HARD]
    if not small:
        raise RecordingError(
            f"A recording of {float(total):.9g} s cannot be cut into EDF records; trim it to whole seconds."
        )
    return total / min(small, key=lambda n: abs(math.log(float(total / n))))


def _is_exact(record_s: Fraction, records: int) -> bool:
    """Whether the header's eight characters hold the duration, and no record's start shows rounding noise."""
    as_float = float(record_s)
    starts = np.arange(records) * as_float
    return Fraction(f"{as_float:.8g}"[:8]) == record_s and bool(np.all(np.round(starts, 7) == starts))


def _listed(durations: set[Fraction]) -> str:
    return ", ".join(f"{float(d):g} s" for d in sorted(durations))
