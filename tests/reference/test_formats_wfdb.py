"""WFDB records written by the format's own Python library.

Sources: Moody, WFDB Applications Guide, header(5) and signal(5) (physical = (digital - baseline) / gain);
wfdb 4.3 (MIT), which writes the files here independently of our checks of the header.
"""

import zipfile

import numpy as np
import pytest
import wfdb

from procedures.recordings import RecordingError, read_recording


@pytest.fixture
def physical():
    rng = np.random.default_rng(3)
    pressure = np.cumsum(rng.normal(0, 1, 5000)) + 60
    return np.column_stack([pressure, np.cumsum(rng.normal(0, 0.3, 5000)) + 150])


def zipped(folder, name="case1", keep=("hea", "dat", "atr")):
    path = folder / f"{name}.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for extension in keep:
            if (folder / f"{name}.{extension}").exists():
                archive.write(folder / f"{name}.{extension}", f"{name}.{extension}")
    return path


@pytest.mark.parametrize(("form", "levels"), [("16", 2**16), ("212", 2**12), ("24", 2**24), ("32", 2**32)])
def test_record_written_by_the_library_is_read_back(tmp_path, physical, form, levels):
    wfdb.wrsamp(
        "case1",
        fs=500,
        units=["mmHg", "mL"],
        sig_name=["P_LV", "V_LV"],
        p_signal=physical,
        fmt=[form, form],
        write_dir=str(tmp_path),
    )
    back = read_recording(zipped(tmp_path))
    assert back.format == "WFDB"
    assert back.duration_s == 10.0
    assert [(c.label, c.unit, c.sample_rate_hz) for c in back.channels] == [
        ("P_LV", "mmHg", 500.0),
        ("V_LV", "mL", 500.0),
    ]
    for channel, original in zip(back.channels, physical.T, strict=True):
        assert np.abs(channel.samples - original).max() <= 1.1 * np.ptp(original) / levels + 1e-6


def test_annotations_written_by_the_library_mark_times(tmp_path, physical):
    wfdb.wrsamp(
        "case1", 500, ["mmHg", "mL"], ["P_LV", "V_LV"], p_signal=physical, fmt=["16"] * 2, write_dir=str(tmp_path)
    )
    wfdb.wrann(
        "case1",
        "atr",
        np.array([50, 2000]),
        symbol=['"', '"'],
        aux_note=["baseline", "site:L2 mid"],
        write_dir=str(tmp_path),
    )
    back = read_recording(zipped(tmp_path))
    assert [(a.onset_s, a.duration_s, a.text) for a in back.annotations] == [
        (0.1, None, "baseline"),
        (4.0, None, "site:L2 mid"),
    ]


def test_sample_that_the_format_marks_invalid_is_missing_and_said(tmp_path, physical):
    physical[100:110, 0] = np.nan
    wfdb.wrsamp(
        "case1", 500, ["mmHg", "mL"], ["P_LV", "V_LV"], p_signal=physical, fmt=["16"] * 2, write_dir=str(tmp_path)
    )
    back = read_recording(zipped(tmp_path))
    assert np.flatnonzero(np.isnan(back.channels[0].samples)).tolist() == list(range(100, 110))
    assert "10 samples" in back.notes[0]


def test_record_without_its_signal_file_is_refused(tmp_path, physical):
    wfdb.wrsamp(
        "case1", 500, ["mmHg", "mL"], ["P_LV", "V_LV"], p_signal=physical, fmt=["16"] * 2, write_dir=str(tmp_path)
    )
    with pytest.raises(RecordingError, match="not in the zip"):
        read_recording(zipped(tmp_path, keep=("hea",)))
