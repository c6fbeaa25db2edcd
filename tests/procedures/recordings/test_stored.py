"""The stored form answers every window as the file does, bit by bit, and its overview loses no extreme."""

import datetime as dt
import itertools
import subprocess

import numpy as np
import pytest

from procedures.recordings import Annotation, Channel, RecordingError, Signals, open_recording, write_edf
from procedures.recordings.reading import DecodedRecording
from procedures.recordings.stored import StoredRecording
from procedures.recordings.storing import PIECE_S, SignalWriter, store_signals
from tests.signals import pressure_volume_csv, write

KEY = bytes(range(32))


def signals(seconds=400.0, gaps=()):
    """Two rates, a start that is not zero, irregular values and a hole."""
    rng = np.random.default_rng(12)
    fast = rng.normal(size=(3, round(seconds * 250)))
    slow = rng.normal(size=round(seconds * 10))
    fast[0, 1000:3000] = np.nan
    labels = ("P_LV", "V_1", "V_2")
    channels = [Channel(label, "mL", 250.0, row) for label, row in zip(labels, fast, strict=True)]
    return Signals(
        (*channels[:2], Channel("RESP", "", 10.0, slow), channels[2]),
        (Annotation(3.0, None, "baseline"), Annotation(9.5, 2.0, "site:PL")),
        "CSV",
        seconds,
        started_at=dt.datetime(2024, 5, 6, 10, 0),  # noqa: DTZ001 - as recorders write it
        start_s=7.5,
        gaps=gaps,
        notes=("one remark",),
    )


@pytest.fixture
def pair(tmp_path):
    whole = DecodedRecording(signals(gaps=((11.5, 19.5),)))
    store_signals(whole, tmp_path / "form", sha256="ab", sums=[["V_1", "V_2"], ["V_1", "RESP"]])
    return whole, StoredRecording(tmp_path / "form")


def same(one, other):
    assert [(c.label, c.unit, c.sample_rate_hz) for c in one] == [(c.label, c.unit, c.sample_rate_hz) for c in other]
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a.samples, b.samples)


def test_everything_about_the_recording_is_kept(pair):
    whole, stored = pair
    names = ("channels", "annotations", "format", "duration_s", "start_s", "started_at", "gaps", "notes")
    for name in names:
        assert getattr(stored, name) == getattr(whole, name), name
    assert (stored.sha256, stored.complete) == ("ab", True)


@pytest.mark.parametrize(
    "window",
    [
        (None, None),
        (7.5, 17.5),
        (0.0, 9.0),
        (100.0, 100.0),
        (138.5721, 138.5724),
        (130.0, 145.003),
        (400, 9e9),
        (500, 600),
    ],
)
def test_any_window_is_the_same_to_the_bit(pair, window):
    whole, stored = pair
    same(stored.read(*window), whole.read(*window))
    same(stored.read(*window, ["V_2", "RESP"]), whole.read(*window, ["V_2", "RESP"]))


def test_an_edf_file_with_pauses_is_the_same_to_the_bit(tmp_path):
    rng = np.random.default_rng(3)
    made = Signals(
        tuple(Channel(f"P{rate:g}", "mmHg", rate, rng.normal(size=round(300 * rate))) for rate in (500.0, 50.0)),
        (Annotation(1, 5, "baseline"),),
        "EDF+",
        300.0,
    )
    path = tmp_path / "day.edf"
    write_edf(path, made)
    opened = open_recording(path)
    store_signals(opened, tmp_path / "form", sha256="")
    stored = StoredRecording(tmp_path / "form")
    assert stored.annotations == opened.annotations
    for window in ((None, None), (12.345, 22.345), (PIECE_S - 1, PIECE_S + 1), (299.9, 400)):
        same(stored.read(*window), opened.read(*window))


def test_a_csv_file_is_the_same_to_the_bit(tmp_path):
    opened = open_recording(write(tmp_path / "day.csv", pressure_volume_csv(30)))
    store_signals(opened, tmp_path / "form", sha256="")
    same(StoredRecording(tmp_path / "form").read(3.21, 13.21), opened.read(3.21, 13.21))


def summed(whole, labels, start, end):
    return np.sum([c.samples for c in whole.read(start, end, labels)], axis=0)


@pytest.mark.parametrize("labels", [["P_LV"], ["V_1"], ["V_1", "V_2"], ["RESP"]])
@pytest.mark.parametrize(("start", "end"), [(7.5, 407.5), (50.0, 350.0), (13.3, 399.9)])
def test_overview_has_the_extremes_of_its_stretches(pair, labels, start, end):
    """Each drawn stretch, cut where the overview says it begins, has the extremes that the samples have there."""
    whole, stored = pair
    found = stored.overview(labels, start, end, 20)
    assert found.times.size <= 20
    edges = [*found.times, None]
    for low, high, begin, stop in zip(found.lows, found.highs, edges[:-1], edges[1:], strict=True):
        if stop is None:
            continue
        samples = summed(whole, labels, begin, stop)
        if np.isnan(samples).all():
            assert np.isnan(low)
            continue
        assert (low, high) == (np.nanmin(samples), np.nanmax(samples))
    inside = summed(whole, labels, start, end)
    assert np.nanmin(found.lows) <= np.nanmin(inside)
    assert np.nanmax(found.highs) >= np.nanmax(inside)
    step = (end - start) / 20
    assert abs(found.times[0] - start) <= step / 2
    assert np.abs(np.diff(found.times) - step).max() <= step


def test_a_short_window_or_another_sum_has_no_overview(pair):
    _, stored = pair
    assert stored.overview(["V_1"], 10, 20, 600) is None
    assert stored.overview(["P_LV", "V_1"], 7.5, 407.5, 20) is None
    assert stored.overview(["V_1", "RESP"], 7.5, 407.5, 20) is None


def test_a_growing_recording_is_read_meanwhile_and_ends_the_same(tmp_path):
    """Written in uneven pieces, over many edges of the overview's stretches."""
    whole = DecodedRecording(signals(seconds=200.0))
    options = {"format": "CSV", "sha256": "", "start_s": 7.5, "sums": [["V_1", "V_2"]]}
    writer = SignalWriter(tmp_path / "grown", whole.channels, **options)
    edges = [7.5, 8.0, 20.3, 20.4, 90.0, 138.6, 207.5]
    for begin, end in itertools.pairwise(edges):
        writer.append(whole.read(begin, end))
        seen = StoredRecording(tmp_path / "grown")
        assert not seen.complete
        same(seen.read(), whole.read(None, end))
    writer.finish(duration_s=200.0)
    store_signals(whole, tmp_path / "at once", sha256="", sums=[["V_1", "V_2"]])
    grown, at_once = StoredRecording(tmp_path / "grown"), StoredRecording(tmp_path / "at once")
    assert grown.complete
    same(grown.read(), at_once.read())
    for labels in (["P_LV"], ["V_1", "V_2"]):
        one, other = (form.overview(labels, 7.5, 207.5, 30) for form in (grown, at_once))
        np.testing.assert_array_equal(one.lows, other.lows)
        np.testing.assert_array_equal(one.highs, other.highs)


def test_sealed_form_says_nothing_without_its_key(tmp_path):
    whole = DecodedRecording(signals(seconds=60.0))
    store_signals(whole, tmp_path / "form", sha256="", key=KEY)
    same(StoredRecording(tmp_path / "form", KEY).read(20, 30), whole.read(20, 30))
    assert subprocess.run(["grep", "-rac", "P_LV", tmp_path / "form"], capture_output=True).stdout.count(b":0") > 3
    assert not any(b"P_LV" in path.read_bytes() for path in (tmp_path / "form").rglob("*") if path.is_file())
    for key in (None, KEY[::-1]):
        with pytest.raises(RecordingError):
            StoredRecording(tmp_path / "form", key)


def test_sealed_object_in_the_place_of_another_is_refused(tmp_path):
    store_signals(DecodedRecording(signals(seconds=60.0)), tmp_path / "form", sha256="", key=KEY)
    one, other = tmp_path / "form/samples0/c/1/0", tmp_path / "form/samples0/c/2/0"
    one.write_bytes(other.read_bytes())
    with pytest.raises(RecordingError):
        StoredRecording(tmp_path / "form", KEY).read(10, 20, ["V_1"])


def test_a_lost_or_damaged_object_is_an_error_never_a_gap(tmp_path):
    store_signals(DecodedRecording(signals(seconds=60.0)), tmp_path / "form", sha256="")
    lost = tmp_path / "form/samples0/c/1/0"
    kept = lost.read_bytes()
    lost.unlink()
    with pytest.raises(RecordingError, match="missing"):
        StoredRecording(tmp_path / "form").read(10, 20, ["V_1"])
    lost.write_bytes(kept[:500] + b"\x00\x01\x02\x03" + kept[504:])
    with pytest.raises(RecordingError):
        StoredRecording(tmp_path / "form").read(10, 20, ["V_1"])


def test_there_must_be_a_form(tmp_path):
    with pytest.raises(RecordingError, match="cannot be read"):
        StoredRecording(tmp_path / "nothing")


def test_an_object_storage_serves_as_well_as_a_folder():
    """The store is asked for nothing but whole objects by name, here in a storage that has no folders."""
    whole = DecodedRecording(signals(seconds=60.0))
    store_signals(whole, "memory://signals/form", sha256="", sums=[["V_1", "V_2"]])
    stored = StoredRecording("memory://signals/form")
    same(stored.read(20, 30), whole.read(20, 30))
    assert stored.overview(["V_1", "V_2"], 7.5, 67.5, 20) is not None
