import struct

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file

from procedures.recordings import RecordingError, assign_roles, dicom_file, read_recording
from procedures.recordings.heads import read_head


@pytest.fixture
def dataset():
    return pydicom.dcmread(get_testdata_file("waveform_ecg.dcm", download=False))


def saved(dataset, tmp_path):
    path = tmp_path / "ecg.dcm"
    dataset.save_as(path)
    return path


def refusal(path):
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    return str(caught.value)


def test_leads_are_recognised_and_microvolts_said(dataset, tmp_path):
    signals = read_recording(saved(dataset, tmp_path))
    assert signals.format == "DICOM"
    assert signals.duration_s == 10.0
    assert "states as derived" in signals.notes[0]
    assignment = assign_roles(signals.channels)
    leads = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
    assert assignment.roles == tuple(f"ECG_{lead}" for lead in leads)
    assert set(assignment.factors) == {0.001}
    assert "divided by 1000" in assignment.remarks[0][1]


def test_text_at_a_sample_position_is_an_annotation(dataset, tmp_path):
    item = pydicom.Dataset()
    item.UnformattedTextValue = "baseline"
    item.ReferencedWaveformChannels = [1, 0]
    item.TemporalRangeType = "SEGMENT"
    item.ReferencedSamplePositions = [1001, 6001]
    dataset.WaveformAnnotationSequence.append(item)
    (annotation,) = read_recording(saved(dataset, tmp_path)).annotations
    assert (annotation.onset_s, annotation.duration_s, annotation.text) == (1.0, 5.0, "baseline")


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("SamplingFrequency", 0, "sampling rate of zero"),
        ("NumberOfWaveformSamples", 4_000_000_000, "cut short"),
        ("NumberOfWaveformSamples", 0, "does not describe"),
        ("NumberOfWaveformChannels", 500, "does not describe"),
    ],
)
def test_lying_waveform_is_refused(dataset, tmp_path, field, value, words):
    setattr(dataset.WaveformSequence[0], field, value)
    assert words in refusal(saved(dataset, tmp_path))


def test_object_without_waveform_is_refused(dataset, tmp_path):
    del dataset.WaveformSequence
    assert "no waveform" in refusal(saved(dataset, tmp_path))


def test_channel_without_sensitivity_has_no_unit(dataset, tmp_path):
    definition = dataset.WaveformSequence[0].ChannelDefinitionSequence[0]
    del definition.ChannelSensitivity
    signals = read_recording(saved(dataset, tmp_path))
    assert signals.channels[0].unit == ""
    assert np.all(signals.channels[0].samples == np.round(signals.channels[0].samples))


@pytest.mark.parametrize("keep", [140, 1000, 20_000, 200_000])
def test_truncated_file_is_refused(dataset, tmp_path, keep):
    path = saved(dataset, tmp_path)
    path.write_bytes(path.read_bytes()[:keep])
    assert refusal(path)


def test_deflated_object_is_refused_unopened(dataset, tmp_path):
    dataset.file_meta.TransferSyntaxUID = pydicom.uid.DeflatedExplicitVRLittleEndian
    assert "deflated" in refusal(saved(dataset, tmp_path))


def many_items(count, *, nested):
    """Return an object whose sequence has many items, each within the other or side by side."""
    meta = struct.pack("<HH2sH", 2, 0x10, b"UI", 20) + b"1.2.840.10008.1.2.1\0"
    head = b"\0" * 128 + b"DICM" + struct.pack("<HH2sHI", 2, 0, b"UL", 4, len(meta)) + meta
    sequence = struct.pack("<HH4sI", 0x0008, 0x1140, b"SQ\0\0", 0xFFFFFFFF)
    item = struct.pack("<HHI", 0xFFFE, 0xE000, 0xFFFFFFFF if nested else 0)
    return head + ((sequence + item) * count if nested else sequence + item * count)


@pytest.mark.parametrize("nested", [True, False])
def test_more_items_than_a_waveform_has_are_refused_before_they_are_read(tmp_path, monkeypatch, nested):
    path = tmp_path / "ecg.dcm"
    path.write_bytes(many_items(200_000, nested=nested))
    monkeypatch.setattr(pydicom.filereader, "read_partial", None)
    assert "more than a waveform recording can have" in refusal(path)
    with pytest.raises(RecordingError, match="more than a waveform recording can have"):
        read_head(path)


def test_elements_without_end_are_refused_after_a_bounded_number(tmp_path, monkeypatch):
    path = tmp_path / "ecg.dcm"
    element = struct.pack("<HH2sH", 0x0008, 0x0016, b"UI", 0)
    path.write_bytes(many_items(1, nested=True) + element * 5000)
    monkeypatch.setattr(dicom_file._Bounded, "left", 1000)
    assert "more than a waveform recording can have" in refusal(path)


@pytest.mark.parametrize("rate", [1e-9, 1e-4])
def test_a_rate_that_makes_weeks_of_ten_seconds_is_refused(dataset, tmp_path, rate):
    for group in dataset.WaveformSequence:
        group.SamplingFrequency = rate
    assert "at most 7 days" in refusal(saved(dataset, tmp_path))
