"""QRS limits and time against general-purpose delineation, in one run.

The recorder-annotated record that pydicom ships, and simulated records of known width. Comparators: neurokit2 ("dwt"
and "cwt"), and ecgdeli where it is installed (it is not among the project's requirements). The onset of a comparator is
the median over leads of its onsets, or the earliest, whichever is nearer to the truth; so is its offset. Times are
processor times for twelve leads of 10 s from the raw samples on, best of three; a method that finds no limits at all
in a record is left out of the mean error of that set, which counts such records as failed.
``python tests/bench/bench_electrocardiogram.py [--json]``
"""

import importlib.util
import json
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pydicom
from pydicom.data import get_testdata_file

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from procedures.electrocardiogram import electrocardiogram, measure  # noqa: E402
from tests.procedures.electrocardiogram.simulated import LEADS, record  # noqa: E402

RATE = 1000


def real():
    """Leads, onset of each beat in ms, width: the record's annotations."""
    path = get_testdata_file("waveform_ecg.dcm", download=False)
    data = pydicom.dcmread(path)
    order = [d.ChannelSourceSequence[0].CodeMeaning for d in data.WaveformSequence[0].ChannelDefinitionSequence]
    names = [text.replace("(Einthoven)", "").split()[-1] for text in order]
    values = data.waveform_array(0) / 1000
    marks = [
        np.atleast_1d(m.ReferencedSamplePositions)
        for m in data.WaveformAnnotationSequence
        if "ReferencedSamplePositions" in m and m.ConceptNameCodeSequence[0].CodeMeaning == "QRS Onset"
    ]
    onsets = np.unique(np.concatenate(marks).astype(float)) - 1
    return {name: values[:, i] for i, name in enumerate(names)}, onsets, 75.0


def ours(leads, onsets, width):
    """Errors of onset and offset of the average beat, ms."""
    found = measure(electrocardiogram(leads, RATE))
    start = found.beat.beats - found.beat.centre
    true = np.median(onsets[np.argmin(np.abs(onsets - (start + found.onset_ms)[:, None]), axis=1)] - start)
    return found.onset_ms - true, found.offset_ms - true - width


def errors_of(limits, onsets, width):
    """From onsets and offsets by lead (each an array of ms) to errors, the better of median and outermost lead."""
    found = np.full((2, len(limits), onsets.size), np.nan)
    for row, pair in enumerate(limits):
        for kind, (times, truth) in enumerate(zip(pair, (onsets, onsets + width), strict=True)):
            times = times[np.isfinite(times)]
            if times.size:
                nearest = times[np.argmin(np.abs(times - truth[:, None]), axis=1)] - truth
                found[kind, row] = np.where(np.abs(nearest) < 200, nearest, np.nan)
    if not np.isfinite(found).any(axis=(1, 2)).all():
        return [np.nan, np.nan]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        candidates = [
            (np.nanmedian(found[kind]), np.nanmedian(outermost(found[kind], axis=0)))
            for kind, outermost in ((0, np.nanmin), (1, np.nanmax))
        ]
    return [min(pair, key=lambda e: np.inf if np.isnan(e) else abs(e)) for pair in candidates]


def neurokit(leads, onsets, width, method):
    """Clean, peaks and delineation of each lead, as its documentation shows."""
    import neurokit2 as nk

    limits = []
    for name in LEADS:
        try:
            clean = nk.ecg_clean(leads[name], sampling_rate=RATE)
            _, found = nk.ecg_peaks(clean, sampling_rate=RATE)
            _, waves = nk.ecg_delineate(clean, found["ECG_R_Peaks"], RATE, method=method)
        except Exception:  # noqa: S112 - a lead on which a comparator fails is a lead without limits
            continue
        limits.append([np.asarray(waves[key], float) for key in ("ECG_R_Onsets", "ECG_R_Offsets")])
    return errors_of(limits, onsets, width)


def ecgdeli(leads, onsets, width):
    """Filter and annotate all leads together, as its documentation shows."""
    import ecgdeli as library

    signal = np.stack([leads[name] for name in LEADS], axis=1)
    found = library.annotate(library.filter_ecg(signal, RATE), RATE)
    limits = [[np.asarray(table.qrs_on, float), np.asarray(table.qrs_off, float)] for table in found.leads]
    return errors_of(limits, onsets, width)


def timed(times, work, *arguments):
    """Result and best processor time of so many, s."""
    best = np.inf
    for _ in range(times):
        started = time.process_time()
        result = work(*arguments)
        best = min(best, time.process_time() - started)
    return result, best


def run(widths=(90, 130, 170, 210), times=3):
    """Mean absolute errors of onset, offset and duration and the time of each method, by data set."""
    methods = {"tributary": ours}
    try:
        import neurokit2  # noqa: F401

        methods |= {
            f"neurokit2 {kind}": lambda *a, kind=kind: neurokit(*a, method=kind)  # type: ignore[misc] # the default binds the name of the method
            for kind in ("dwt", "cwt")
        }
    except ImportError:
        print("neurokit2 is not installed")
    if importlib.util.find_spec("ecgdeli"):
        methods["ecgdeli"] = ecgdeli
    simulated = [record(family, w, w, noise_mv=0.01) for w in widths for family in ("bells", "dipole")]
    sets = {"annotated": [real()], "simulated": [(r.leads, r.onsets_ms, r.width_ms) for r in simulated]}
    table = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for label, work in methods.items():
            work(*sets["annotated"][0])  # the first call also pays for what a method loads
            for name, data in sets.items():
                results = [timed(times, work, *one) for one in data]
                errors = np.array([pair for pair, _ in results], float)
                table[f"{label}, {name}"] = {
                    "onset_ms": float(np.nanmean(np.abs(errors[:, 0]))),
                    "offset_ms": float(np.nanmean(np.abs(errors[:, 1]))),
                    "duration_ms": float(np.nanmean(np.abs(errors[:, 1] - errors[:, 0]))),
                    "failed": int(np.isnan(errors).any(axis=1).sum()),
                    "seconds": float(np.mean([seconds for _, seconds in results])),
                }
    return table


def main():
    table = run()
    if "--json" in sys.argv:
        print(json.dumps(table))
        return
    for label, row in table.items():
        base = table[f"tributary, {label.split(', ')[1]}"]["seconds"]
        errors = ", ".join(f"{limit} {row[f'{limit}_ms']:5.1f}" for limit in ("onset", "offset", "duration"))
        times = f"{1000 * row['seconds']:6.1f} ms = {row['seconds'] / base:4.1f} x"
        print(f"{label:26s} mean |error| in ms: {errors}; failed {row['failed']}; {times}")


if __name__ == "__main__":
    main()
