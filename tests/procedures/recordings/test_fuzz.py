"""Damaged files of every kind: a sentence or a recording, quickly, never anything else."""

import time
import zipfile

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.data import get_testdata_file

from procedures.recordings import Annotation, Channel, RecordingError, Signals, read_recording, write_edf
from tests.memory import peak_above

FEW = settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.fixture(scope="module")
def originals(tmp_path_factory):
    folder = tmp_path_factory.mktemp("originals")
    rng = np.random.default_rng(2)
    pressure = Channel("P_LV", "mmHg", 250.0, rng.normal(60, 20, 1000))
    write_edf(folder / "edf", Signals((pressure,), (Annotation(1.0, 2.0, "baseline"),), "EDF+", 4.0))
    rows = "\n".join(f"{i / 250:.3f},{value:.2f}" for i, value in enumerate(pressure.samples))
    (folder / "csv").write_text(f"time_s,P_LV [mmHg]\n{rows}\n")
    with zipfile.ZipFile(folder / "wfdb", "w") as archive:
        archive.writestr("r.hea", "r 1 250 1000\nr.dat 16 100/mmHg 16 0 0 0 0 P_LV\n")
        archive.writestr("r.dat", rng.integers(-9000, 9000, 1000).astype("<i2").tobytes())
    with open(get_testdata_file("waveform_ecg.dcm", download=False), "rb") as file:  # noqa: PTH123
        (folder / "dicom").write_bytes(file.read())
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def outcome(path):
    """Read; whatever is wrong must be said in one sentence of moderate length."""
    started = time.perf_counter()
    sentence, signals = None, None
    try:
        signals = read_recording(path)
    except RecordingError as error:
        sentence = str(error)
    assert time.perf_counter() - started < 5  # generous: the machine is shared; a single read takes 10 ms
    if signals is None:
        assert sentence is not None
        assert 10 < len(sentence) < 3000
        return None
    assert signals.channels
    assert all(np.isfinite(c.sample_rate_hz) and c.sample_rate_hz > 0 for c in signals.channels)
    return signals


@pytest.mark.parametrize("kind", ["edf", "csv", "wfdb", "dicom"])
@FEW
@given(data=st.data())
def test_overwritten_bytes_end_in_a_sentence_or_a_recording(originals, tmp_path, kind, data):
    raw = bytearray(originals[kind])
    # most of what can lie stands in the header
    reach = len(raw) if data.draw(st.booleans()) else min(len(raw), 1500)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, reach - 1))
        patch = data.draw(st.binary(min_size=1, max_size=8))
        raw[at : at + len(patch)] = patch
    path = tmp_path / "fuzzed"
    path.write_bytes(raw)
    outcome(path)


@pytest.mark.parametrize("kind", ["edf", "csv", "wfdb", "dicom"])
@FEW
@given(share=st.floats(0, 0.999))
def test_cut_files_end_in_a_sentence(originals, tmp_path, kind, share):
    raw = originals[kind]
    path = tmp_path / "cut"
    path.write_bytes(raw[: int(share * len(raw))])
    signals = outcome(path)
    assert signals is None or kind == "csv"  # a table that ends early is a shorter table


@FEW
@given(raw=st.binary(max_size=2000), head=st.sampled_from([b"", b"0       ", b"PK\x03\x04", b"\x00" * 128 + b"DICM"]))
def test_noise_ends_in_a_sentence(tmp_path, raw, head):
    path = tmp_path / "noise"
    path.write_bytes(head + raw)
    outcome(path)


@FEW
@given(text=st.text(alphabet=st.sampled_from(list("0123456789.,;-+eEnaif \t\n\"'time_sP_LV[mHg]")), max_size=400))
def test_text_noise_ends_in_a_sentence(tmp_path, text):
    path = tmp_path / "noise.csv"
    path.write_text("time_s,P_LV [mmHg]\n" + text)
    outcome(path)


def test_ten_gigabytes_claimed_are_refused_at_once_without_memory(originals, tmp_path):
    started = time.perf_counter()
    raw = bytearray(originals["edf"])
    raw[236:244] = b"99999999"
    (tmp_path / "claimed.edf").write_bytes(raw)
    with pytest.raises(RecordingError, match="cut short"):
        read_recording(tmp_path / "claimed.edf")
    # files that really are that long, all holes
    record_bytes = (len(raw) - 768) // 4
    records = 10 * 2**30 // record_bytes
    raw[236:244] = f"{records:<8}".encode()
    for name, head, size in (
        ("sparse.edf", bytes(raw[:768]), 768 + records * record_bytes),
        ("sparse.csv", b"time_s,P_LV [mmHg]\n" + b"0,1\n" * 2000, 10 * 2**30),
    ):
        with (tmp_path / name).open("wb") as file:
            file.write(head)
            file.truncate(size)

        def refused(path=tmp_path / name):
            with pytest.raises(RecordingError, match=r"too long|larger than"):
                read_recording(path)

        assert peak_above(refused) < 200e6
    assert time.perf_counter() - started < 3


def test_dicom_with_nothing_but_zeros_behind_it_is_read_without_them(originals, tmp_path):
    with (tmp_path / "sparse.dcm").open("wb") as file:
        file.write(originals["dicom"])
        file.truncate(2**25)
    found = []
    assert peak_above(lambda: found.append(outcome(tmp_path / "sparse.dcm"))) < 200e6
    assert found[0] is not None


def test_endless_annotation_list_takes_no_endless_time(tmp_path):
    marks = tuple(Annotation(0.0, None, "y" * 40) for _ in range(20_000))
    channel = Channel("P_LV", "mmHg", 250.0, np.arange(250.0))
    write_edf(tmp_path / "a.edf", Signals((channel,), marks, "EDF+", 1.0))
    raw = bytearray((tmp_path / "a.edf").read_bytes())
    at = raw.index(b"+0\x14y")
    length = (len(raw) - at) // 3 * 3
    raw[at : at + length] = b"+1\x14" * (length // 3)
    (tmp_path / "a.edf").write_bytes(raw)
    outcome(tmp_path / "a.edf")
