"""EDF and EDF+ against the written format and an independent library.

Sources: Kemp, Värri, Rosa, Nielsen, Gade. A simple format for exchange of digitized polygraphic recordings.
Electroencephalogr Clin Neurophysiol 1992;82:391-393 (header layout, 16-bit little-endian samples);
Kemp, Olivan. European data format 'plus' (EDF+). Clin Neurophysiol 2003;114:1755-1761 (annotations).
Vectors of scaling: worked out by hand from the linear relation in the first.
Independent library: pyedflib (its own C code, EDFlib).
"""

import struct
from pathlib import Path

import numpy as np
import pyedflib
import pytest

from procedures.recordings import Annotation, Channel, Signals, read_recording, write_edf

MARKS = (Annotation(0.0, 30.0, "baseline"), Annotation(30.5, 12.25, "site:L2 mid"), Annotation(55.125, None, "end"))


def by_hand(path: Path, signals: list[tuple[str, str, str, str, str, str, list[int]]], *, records: int) -> None:
    """An EDF file written field by field as the standard lists them, without any library."""
    count = len(signals)

    def text(value: object, width: int) -> bytes:
        return str(value).ljust(width).encode("ascii")

    head = text("0", 8) + text("X", 80) + text("X", 80) + text("01.02.30", 8) + text("10.20.30", 8)
    head += text(256 * (count + 1), 8) + text("", 44) + text(records, 8) + text("1", 8) + text(count, 4)
    per_record = [len(digital) // records for *_, digital in signals]
    for width, values in (
        (16, [s[0] for s in signals]),
        (80, [""] * count),
        (8, [s[1] for s in signals]),
        (8, [s[2] for s in signals]),
        (8, [s[3] for s in signals]),
        (8, [s[4] for s in signals]),
        (8, [s[5] for s in signals]),
        (80, [""] * count),
        (8, per_record),
        (32, [""] * count),
    ):
        head += b"".join(text(value, width) for value in values)
    body = b"".join(
        struct.pack(f"<{n}h", *digital[r * n : (r + 1) * n])
        for r in range(records)
        for n, (*_, digital) in zip(per_record, signals, strict=True)
    )
    path.write_bytes(head + body)


@pytest.fixture
def signals():
    rng = np.random.default_rng(7)
    return Signals(
        (
            Channel("P_LV", "mmHg", 1000.0, np.cumsum(rng.normal(0, 0.5, 60_000)) + 70),
            Channel("V_1", "mL", 250.0, np.cumsum(rng.normal(0, 0.2, 15_000)) + 20),
            Channel("ECG_II", "mV", 500.0, rng.normal(0, 0.4, 30_000)),
        ),
        MARKS,
        "EDF+",
        60.0,
    )


def test_digital_values_become_the_physical_values_of_the_standard(tmp_path):
    digital = [-32768, 0, 12345, 32767]
    by_hand(
        tmp_path / "a.edf",
        [
            ("P_LV", "mmHg", "-10", "310", "-32768", "32767", digital),
            ("V_1", "mL", "0", "100", "-2048", "2047", [-2048, 0, 2047, 1]),
            ("ECG_I", "mV", "5", "-5", "-1000", "1000", [-1000, 0, 500, 1000]),
        ],
        records=2,
    )
    assert (tmp_path / "a.edf").read_bytes()[184:192] == b"1024    "  # ns 3 -> header of 1024 bytes
    pressure, volume, lead = read_recording(tmp_path / "a.edf").channels
    np.testing.assert_allclose(pressure.samples, [-10, 150.0024, 210.2817, 310], atol=5e-5)
    np.testing.assert_allclose(volume.samples, [0, 100 * 2048 / 4095, 100, 100 * 2049 / 4095], atol=1e-9)
    np.testing.assert_allclose(lead.samples, [5, 0, -2.5, -5], atol=1e-12)  # an inverted range is allowed
    assert pressure.sample_rate_hz == 2.0


def test_start_of_the_recording_follows_the_two_digit_years(tmp_path):
    by_hand(tmp_path / "a.edf", [("P_LV", "mmHg", "0", "1", "0", "9", [1, 2])], records=2)
    assert read_recording(tmp_path / "a.edf").started_at.isoformat() == "2030-02-01T10:20:30"
    raw = bytearray((tmp_path / "a.edf").read_bytes())
    raw[168:176] = b"01.02.85"
    (tmp_path / "a.edf").write_bytes(raw)
    assert read_recording(tmp_path / "a.edf").started_at.year == 1985


def test_independent_library_reads_what_is_written_here(tmp_path, signals):
    write_edf(tmp_path / "a.edf", signals)
    ours = read_recording(tmp_path / "a.edf")
    with pyedflib.EdfReader(str(tmp_path / "a.edf")) as reader:  # checks conformity when it opens a file
        assert reader.filetype == pyedflib.FILETYPE_EDFPLUS
        assert reader.getSignalLabels() == [c.label for c in signals.channels]
        assert reader.getFileDuration() == 60
        onsets, durations, texts = reader.readAnnotations()
        for i, channel in enumerate(signals.channels):
            assert reader.getSampleFrequency(i) == channel.sample_rate_hz
            assert reader.getPhysicalDimension(i) == channel.unit
            theirs = reader.readSignal(i)
            assert np.abs(theirs - channel.samples).max() <= 0.51 * np.ptp(channel.samples) / 65535
            np.testing.assert_allclose(ours.channels[i].samples, theirs, rtol=0, atol=1e-9)
    np.testing.assert_allclose(onsets, [a.onset_s for a in MARKS], atol=1e-6)
    np.testing.assert_allclose(durations, [30.0, 12.25, -1], atol=1e-6)
    assert list(texts) == [a.text for a in MARKS]


def test_what_the_independent_library_writes_is_read_here(tmp_path, signals):
    writer = pyedflib.EdfWriter(str(tmp_path / "b.edf"), 3, file_type=pyedflib.FILETYPE_EDFPLUS)
    for i, channel in enumerate(signals.channels):
        writer.setSignalHeader(
            i,
            {
                "label": channel.label,
                "dimension": channel.unit,
                "sample_frequency": channel.sample_rate_hz,
                "physical_min": float(np.floor(channel.samples.min())),
                "physical_max": float(np.ceil(channel.samples.max())),
                "digital_min": -32768,
                "digital_max": 32767,
                "transducer": "",
                "prefilter": "",
            },
        )
    writer.writeSamples([channel.samples for channel in signals.channels])
    for mark in MARKS:
        writer.writeAnnotation(mark.onset_s, -1 if mark.duration_s is None else mark.duration_s, mark.text)
    writer.close()
    back = read_recording(tmp_path / "b.edf")
    assert back.format == "EDF+"
    assert back.duration_s == 60.0
    assert back.annotations == MARKS
    for channel, original in zip(back.channels, signals.channels, strict=True):
        assert (channel.label, channel.unit) == (original.label, original.unit)
        assert channel.sample_rate_hz == original.sample_rate_hz
        span = np.ceil(original.samples.max()) - np.floor(original.samples.min())
        assert np.abs(channel.samples - original.samples).max() <= 1.01 * span / 65535


SAMPLES = Path(pyedflib.__file__).parent / "tests" / "data"


@pytest.mark.parametrize("name", ["test_generator.edf", "test_legacy.edf", "test_utf8.edf", "test_subsecond.edf"])
def test_sample_files_of_the_independent_library_read_alike(name):
    """Files carried in pyedflib 0.1.42 (BSD): EDF and EDF+, UTF-8 and sub-second annotations."""
    back = read_recording(SAMPLES / name)
    with pyedflib.EdfReader(str(SAMPLES / name)) as reader:
        labels = [label.strip() for label in reader.getSignalLabels()]
        if name == "test_legacy.edf":  # holds annotations without saying that it is EDF+: there it is a signal
            assert labels.pop() == "EDF Annotations"
        assert [c.label for c in back.channels] == labels
        for i, channel in enumerate(back.channels):
            assert channel.sample_rate_hz == pytest.approx(reader.getSampleFrequency(i))
            np.testing.assert_allclose(channel.samples, reader.readSignal(i), rtol=1e-9, atol=1e-6)
        onsets, _, texts = reader.readAnnotations()
    if name != "test_legacy.edf":
        np.testing.assert_allclose([a.onset_s for a in back.annotations], onsets, atol=1e-6)
        assert [a.text for a in back.annotations] == list(texts)
