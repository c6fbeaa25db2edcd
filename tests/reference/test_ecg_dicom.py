"""QRS limits and axis of a real 12-lead electrocardiogram, annotated by the recorder.

Source: ``waveform_ecg.dcm`` carried in pydicom 3.0 (MIT), 1000 Hz, 10 beats, with QRS onset and offset of each beat and
the axes in its Waveform Annotation Sequence (DICOM PS3.3 C.10.10). All widths are 75 ms: the recorder measured one
median beat, so this is one measurement. The delineation was not set by it: see the tests on simulated shapes.
"""

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file

from procedures.electrocardiogram import axis_change, electrocardiogram, measure
from procedures.recordings import assign_roles, read_recording
from tests.procedures.electrocardiogram.simulated import LEADS, record

PATH = get_testdata_file("waveform_ecg.dcm", download=False)
RATE = 1000.0


def leads_of(path):
    signals = read_recording(path)
    assignment = assign_roles(signals.channels)
    return {
        role[4:]: channel.samples * factor
        for role, channel, factor in zip(assignment.roles, signals.channels, assignment.factors, strict=True)
        if role
    }


@pytest.fixture(scope="module")
def measured():
    return measure(electrocardiogram(leads_of(PATH), RATE))


def annotated(name):
    """Samples (from 0) of one kind of mark."""
    marks = pydicom.dcmread(PATH).WaveformAnnotationSequence
    positions = [
        np.atleast_1d(mark.ReferencedSamplePositions)
        for mark in marks
        if "ReferencedSamplePositions" in mark and mark.ConceptNameCodeSequence[0].CodeMeaning == name
    ]
    return np.sort(np.concatenate(positions).astype(float)) - 1


def nearest(marks, at):
    return marks[np.argmin(np.abs(marks - at[:, None]), axis=1)]


def test_onset_and_offset_are_within_4_ms_of_the_recorder(measured):
    start = measured.beat.beats - measured.beat.centre
    onset = np.median(nearest(annotated("QRS Onset"), start + measured.onset_ms) - start)
    offset = np.median(nearest(annotated("QRS Offset"), start + measured.offset_ms) - start)
    assert offset - onset == pytest.approx(75, abs=1)
    assert measured.onset_ms == pytest.approx(onset, abs=4)
    assert measured.offset_ms == pytest.approx(offset, abs=4)
    assert measured.qrs_duration_ms == pytest.approx(75, abs=4)


def test_rate_and_axis_are_those_of_the_recorder(measured):
    """RR 982 ms and a QRS axis of 52 degrees are stored in the object."""
    assert measured.rr_ms == pytest.approx(982, abs=10)
    assert abs(axis_change(52, measured.axis_degrees)) < 10
    assert not measured.paced


def test_round_trip_through_the_library_changes_nothing(tmp_path):
    """A simulated record written by pydicom, read back by it and by this project, and measured."""
    made = record("bells", 140, 81)
    dataset = pydicom.dcmread(PATH)
    group = dataset.WaveformSequence[0]
    order = [str(definition.ChannelSourceSequence[0].CodeMeaning) for definition in group.ChannelDefinitionSequence]
    names = [next(name for name in LEADS if text.replace("(Einthoven)", "").split()[-1] == name) for text in order]
    raw = np.stack([np.round(made.leads[name] * 1000 / 1.25) for name in names], axis=1).astype("<i2")
    group.WaveformData = raw.tobytes()
    path = tmp_path / "simulated.dcm"
    dataset.save_as(path)
    theirs = pydicom.dcmread(path).waveform_array(0)
    leads = leads_of(path)
    for i, name in enumerate(names):
        np.testing.assert_allclose(leads[name], theirs[:, i] / 1000, atol=1e-12)
        np.testing.assert_allclose(leads[name], made.leads[name], atol=0.00063)
    direct, through = (measure(electrocardiogram(source, RATE)) for source in (made.leads, leads))
    assert through.qrs_duration_ms == pytest.approx(direct.qrs_duration_ms, abs=1)
    assert through.qrs_duration_ms == pytest.approx(140, abs=8)
