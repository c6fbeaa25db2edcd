import struct
import zipfile

import numpy as np
import pytest

from procedures.recordings import RecordingError, read_recording

HEADER = "rec 2 500 1000\nrec.dat 16 100/mmHg 16 0 0 0 0 P_LV\nrec.dat 16 50(-200)/mL 16 0 0 0 0 V_LV\n"


@pytest.fixture
def write_zip(tmp_path):
    def write(header=HEADER, samples=1000, **more):
        path = tmp_path / "record.zip"
        data = np.arange(2 * samples, dtype="<i2").tobytes()
        files = {"rec.hea": header, "rec.dat": data} | more
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, content in files.items():
                if content is not None:
                    archive.writestr(name, content)
        return path

    return write


def refusal(path):
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    return str(caught.value)


def test_gain_and_baseline_give_physical_values(write_zip):
    signals = read_recording(write_zip())
    assert signals.format == "WFDB"
    assert signals.duration_s == 2.0
    pressure, volume = signals.channels
    assert (pressure.label, pressure.unit, pressure.sample_rate_hz) == ("P_LV", "mmHg", 500.0)
    # physical = (digital - baseline) / gain; the files interleave the signals
    assert pressure.samples[:3].tolist() == [0.0, 0.02, 0.04]
    assert volume.samples[:3].tolist() == [201 / 50, 203 / 50, 205 / 50]


def test_gain_left_to_the_default_is_remarked(write_zip):
    signals = read_recording(write_zip("rec 2 500 1000\nrec.dat 16 200 16 0 0 0 0 a\nrec.dat 16\n"))
    assert "default of 200" in signals.notes[0]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("", "does not state"),
        ("rec 2", "does not state"),
        ("rec 2 0 1000\n" + HEADER.split("\n", 1)[1], "sampling rate of zero"),
        ("rec 2 abc 1000\n" + HEADER.split("\n", 1)[1], "not a number"),
        ("rec x 500 1000\n" + HEADER.split("\n", 1)[1], "not a whole number"),
        ("rec 2 500 9999\n" + HEADER.split("\n", 1)[1], "cut short"),
        ("rec 2 500 999999999999\n" + HEADER.split("\n", 1)[1], "too long"),
        ("rec 3 500 1000\n" + HEADER.split("\n", 1)[1], "describes 2"),
        ("rec/3 2 500 1000\n" + HEADER.split("\n", 1)[1], "several segments"),
        ("rec 1 500 1000\n../../etc/passwd 16 100/mmHg\n", "not in the zip"),
        ("rec 1 500 1000\n/etc/passwd 16 100/mmHg\n", "not in the zip"),
        ("rec 1 500 1000\nother.dat 16 100/mmHg\n", "not in the zip"),
        ("rec 1 500 1000\nrec.dat 508 100/mmHg\n", "format 508"),
        ("rec 1 500 1000\nrec.dat sixteen 100/mmHg\n", "cannot be read"),
        ("rec 1 500 1000\nrec.dat 16x0 100/mmHg\n", "sampling rate of zero"),
        ("other 1 500 1000\nrec.dat 16 100/mmHg\n", "another record"),
    ],
)
def test_lying_header_is_refused(write_zip, header, words):
    assert words in refusal(write_zip(header))


def test_signal_file_cut_short_is_refused(write_zip):
    assert "cut short" in refusal(write_zip(samples=900))


def test_zip_without_or_with_two_headers_is_refused(write_zip):
    assert "no WFDB header" in refusal(write_zip(**{"rec.hea": None}))
    assert "2 WFDB headers" in refusal(write_zip(**{"b.hea": HEADER}))


def test_header_alone_asks_for_the_zip(tmp_path):
    path = tmp_path / "rec.hea"
    path.write_text(HEADER)
    assert "zip" in refusal(path)


def test_zip_bomb_is_refused_unopened(write_zip):
    zeros = b"\x00" * 50_000_000
    header = "rec 1 500 25000000\nrec.dat 16 100/mmHg\n"
    assert "far more" in refusal(write_zip(header, **{"rec.dat": zeros}))


def test_zip_that_lies_about_its_size_is_refused(write_zip):
    path = write_zip()
    raw = bytearray(path.read_bytes())
    at = raw.index(b"PK\x01\x02", raw.index(b"PK\x01\x02") + 4)  # directory entry of rec.dat
    raw[at + 24 : at + 28] = struct.pack("<I", 10_000_000)
    path.write_bytes(raw)
    assert refusal(path)


def test_damaged_zip_is_refused(write_zip):
    path = write_zip()
    path.write_bytes(path.read_bytes()[:-40])
    assert "damaged or cut short" in refusal(path)


def test_too_many_files_are_refused(write_zip):
    assert "more than 64 files" in refusal(write_zip(**{f"f{i}": "x" for i in range(70)}))
