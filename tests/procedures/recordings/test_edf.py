from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from procedures.recordings import (
    Annotation,
    Channel,
    RecordingError,
    Signals,
    open_recording,
    read_edf,
    read_recording,
    write_edf,
)


def patched(path: Path, at: int, text: str, width: int = 8) -> Path:
    raw = bytearray(path.read_bytes())
    raw[at : at + width] = text.ljust(width).encode()
    path.write_bytes(raw)
    return path


def signal_field(path: Path, offset_in_fields: int, width: int, index: int) -> int:
    """Position of a field of one signal in the header: fields are stored signal by signal within each kind."""
    count = int(path.read_bytes()[252:256])
    return 256 + offset_in_fields * count + width * index


def refusal(path):
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    return str(caught.value)


def test_written_file_is_read_back(tmp_path, make_signals):
    signals = make_signals(started_at=datetime.fromisoformat("2031-02-03T04:05:06"))
    write_edf(tmp_path / "a.edf", signals)
    back = read_recording(tmp_path / "a.edf")
    assert back.format == "EDF+"
    assert back.duration_s == 12.0
    assert back.started_at == datetime.fromisoformat("2031-02-03T04:05:06")
    assert back.annotations == signals.annotations
    for channel, original in zip(back.channels, signals.channels, strict=True):
        assert (channel.label, channel.unit, channel.sample_rate_hz) == (
            original.label,
            original.unit,
            original.sample_rate_hz,
        )
        step = np.ptp(original.samples) / 65535
        assert np.abs(channel.samples - original.samples).max() <= 0.51 * step


@pytest.mark.parametrize("samples", [10_000, 10_007, 12_345, 997, 60_003])
def test_any_length_is_kept_exactly(tmp_path, samples):
    channel = Channel("P_LV", "mmHg", 1000.0, np.sin(np.arange(samples) / 50) * 60 + 60)
    write_edf(tmp_path / "a.edf", Signals((channel,), (), "EDF+", samples / 1000))
    back = read_edf(tmp_path / "a.edf")
    assert len(back.channels[0].samples) == samples
    assert back.channels[0].sample_rate_hz == 1000.0
    assert back.duration_s == samples / 1000


@pytest.mark.parametrize(("low", "high"), [(-12.3456789, 187.654321), (0.00012, 0.00034), (-98765.4, -1.5), (5, 5)])
def test_range_survives_the_eight_characters_of_the_header(tmp_path, low, high):
    samples = np.linspace(low, high, 1000)
    write_edf(tmp_path / "a.edf", Signals((Channel("X", "mL", 500.0, samples),), (), "EDF+", 2.0))
    back = read_edf(tmp_path / "a.edf").channels[0].samples
    assert np.abs(back - samples).max() <= max(np.ptp(samples), 1.0) / 60_000


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"label": "a label of seventeen"}, "at most 16"),
        ({"unit": "dyn/cm^2·s"}, "at most 8"),
        ({"samples": np.array([1.0, np.nan] * 500)}, "not numbers"),
        ({"samples": np.empty(0)}, "without samples"),
        ({"samples": np.linspace(0, 1e12, 1000)}, "as large as"),
    ],
)
def test_what_does_not_fit_the_format_is_refused_and_nothing_written(tmp_path, change, words):
    values = {"label": "P_LV", "unit": "mmHg", "sample_rate_hz": 500.0, "samples": np.arange(1000.0)} | change
    with pytest.raises(RecordingError, match=words):
        write_edf(tmp_path / "a.edf", Signals((Channel(**values),), (), "EDF+", 2.0))
    assert not (tmp_path / "a.edf").exists()


def test_unequal_durations_are_refused(tmp_path, make_signals):
    first, second = make_signals().channels
    short = Channel(second.label, second.unit, second.sample_rate_hz, second.samples[:-1])
    with pytest.raises(RecordingError, match="equal duration"):
        write_edf(tmp_path / "a.edf", Signals((first, short), (), "EDF+", 12.0))


@pytest.mark.parametrize(
    ("at", "text", "words"),
    [
        (236, "99999999", "cut short"),
        (236, "3", "longer"),
        (236, "0", "no data records"),
        (236, "-7", "no data records"),
        (236, "many", "not a whole number"),
        (244, "0", "longer than 0 s"),
        (244, "-1", "longer than 0 s"),
        (244, "nan", "not a number"),
        (244, "1,0", "not a number"),
        (184, "512", "header"),
        (252, "9999", "signals"),
        (252, "0", "signals"),
        (252, "-1", "signals"),
    ],
)
def test_lying_header_is_refused(tmp_path, make_signals, at, text, words):
    write_edf(tmp_path / "a.edf", make_signals())
    width = 4 if at == 252 else 8
    assert words in refusal(patched(tmp_path / "a.edf", at, text, width))


@pytest.mark.parametrize(
    ("field_offset", "text", "words"),
    [
        (16 + 80 + 8 + 8 + 8 + 8 + 8 + 80, "0", "sampling rate of zero"),
        (16 + 80 + 8 + 8 + 8 + 8 + 8 + 80, "-5", "sampling rate of zero"),
        (16 + 80 + 8 + 8 + 8 + 8 + 8 + 80, "99999999", "cut short"),
        (16 + 80 + 8, "nan", "physical minimum"),
        (16 + 80 + 8 + 8 + 8, "40000", "digital range"),
        (16 + 80 + 8 + 8 + 8, "1.5", "digital minimum"),
    ],
)
def test_lying_signal_header_is_refused(tmp_path, make_signals, field_offset, text, words):
    path = tmp_path / "a.edf"
    write_edf(path, make_signals())
    assert words in refusal(patched(path, signal_field(path, field_offset, 8, 0), text))


def test_empty_physical_range_is_refused(tmp_path, make_signals):
    path = tmp_path / "a.edf"
    write_edf(path, make_signals())
    patched(path, signal_field(path, 104, 8, 1), "5")
    assert "physical range" in refusal(patched(path, signal_field(path, 112, 8, 1), "5"))


def test_unclosed_recording_is_read_by_its_length(tmp_path, make_signals):
    write_edf(tmp_path / "a.edf", make_signals())
    assert read_recording(patched(tmp_path / "a.edf", 236, "-1")).duration_s == 12.0


@pytest.mark.parametrize("keep", [100, 256, 700, 1100, 5000])
def test_truncated_file_is_refused(tmp_path, make_signals, keep):
    path = tmp_path / "a.edf"
    write_edf(path, make_signals())
    path.write_bytes(path.read_bytes()[:keep])
    assert "cut short" in refusal(path)


def interrupted(path: Path, record_starts: list[str]) -> Path:
    """Turn a continuous file of one-second records into an interrupted one by rewriting the records' times."""
    raw = bytearray(path.read_bytes())
    raw[192:197] = b"EDF+D"
    for i, start in enumerate(record_starts):
        old = f"+{i}\x14\x14\x00".encode()
        new = f"+{start}\x14\x14\x00".encode()
        at = raw.index(old)
        raw[at : at + len(new)] = new
        if len(new) > len(old):
            assert not any(raw[at + len(new) : at + len(new) + 1])
    path.write_bytes(raw)
    return path


@pytest.fixture
def paused(tmp_path, make_signals):
    # a long text in the first record leaves room in every record's list
    signals = make_signals(annotations=(Annotation(0.5, None, "x" * 40), Annotation(4.5, 1.0, "baseline")))
    write_edf(tmp_path / "a.edf", signals)
    starts = [str(i) for i in range(5)] + [str(i + 10) for i in range(5, 12)]
    return interrupted(tmp_path / "a.edf", starts), signals


def test_pauses_become_missing_samples_at_the_right_place(paused):
    path, signals = paused
    back = read_recording(path)
    assert back.gaps == ((5.0, 15.0),)
    assert back.duration_s == 22.0
    assert "interrupted" in back.notes[0]
    for channel, original in zip(back.channels, signals.channels, strict=True):
        rate = int(original.sample_rate_hz)
        assert np.isnan(channel.samples[5 * rate : 15 * rate]).all()
        assert np.isfinite(channel.samples).sum() == 12 * rate
        np.testing.assert_allclose(channel.samples[15 * rate :], original.samples[5 * rate :], atol=0.01)


def test_part_across_a_pause_is_read(paused):
    path, signals = paused
    (part,) = open_recording(path).read(4.0, 16.0, ["V_1"])
    original = signals.channels[1].samples
    np.testing.assert_allclose(part.samples[:250], original[1000:1250], atol=0.01)
    assert np.isnan(part.samples[250:2750]).all()
    np.testing.assert_allclose(part.samples[2750:], original[1250:1500], atol=0.01)


def test_records_that_run_backwards_are_refused(tmp_path, make_signals):
    write_edf(tmp_path / "a.edf", make_signals(annotations=(Annotation(0.5, None, "x" * 40),)))
    path = interrupted(tmp_path / "a.edf", [str(i) for i in range(5)] + ["2"])
    assert "before the one in front" in refusal(path)


def test_absurd_pause_is_refused_without_taking_memory(tmp_path, make_signals):
    write_edf(tmp_path / "a.edf", make_signals(annotations=(Annotation(0.5, None, "x" * 40),)))
    path = interrupted(tmp_path / "a.edf", [str(i) for i in range(11)] + ["900000000"])
    assert "pauses" in refusal(path)


def test_parts_are_read_without_the_rest(tmp_path, make_signals):
    signals = make_signals()
    write_edf(tmp_path / "a.edf", signals)
    recording = open_recording(tmp_path / "a.edf")
    whole = read_edf(tmp_path / "a.edf")
    pressure, volume = recording.read(3.1, 7.7)
    np.testing.assert_array_equal(pressure.samples, whole.channels[0].samples[3100:7700])
    np.testing.assert_array_equal(volume.samples, whole.channels[1].samples[775:1925])
    assert [c.label for c in recording.read(0, 1, ["V_1"])] == ["V_1"]
    assert [len(c.samples) for c in recording.read(-5, 0)] == [0, 0]
    assert [len(c.samples) for c in recording.read(11.5, 99)] == [500, 125]
    assert [len(c.samples) for c in recording.read(50, 99)] == [0, 0]


def test_not_a_recording_is_named(tmp_path):
    for name, content, words in (
        ("a.edf", b"\x00\x01\x02" * 100, "known kind"),
        ("b.edf", b"", "empty"),
        ("c.edf", b"\xffBIOSEMI" + b" " * 300, "BDF"),
    ):
        (tmp_path / name).write_bytes(content)
        assert words in refusal(tmp_path / name)
    assert "no file" in refusal(tmp_path / "d.edf")
    assert "not a file" in refusal(tmp_path)


def test_kind_is_told_by_content_not_by_name(tmp_path, make_signals):
    write_edf(tmp_path / "a.csv", make_signals())
    assert read_recording(tmp_path / "a.csv").format == "EDF+"


@pytest.mark.parametrize("seconds", ["99999999", "1e30", "604801"])
def test_header_that_claims_a_record_of_years_is_refused(tmp_path, make_signals, seconds):
    write_edf(tmp_path / "a.edf", make_signals())
    path = patched(tmp_path / "a.edf", 244, seconds)
    for read in (read_recording, open_recording):
        with pytest.raises(RecordingError, match="at most 7 days"):
            read(path)
