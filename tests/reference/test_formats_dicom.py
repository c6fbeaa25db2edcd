"""A real 12-lead electrocardiogram in DICOM.

Source: ``waveform_ecg.dcm`` carried in pydicom 3.0 (MIT), an anonymised 12-lead ECG Waveform Storage object,
1000 Hz, 10 s, 1.25 uV per step; scaling by DICOM PS3.3 C.10.9.1.5 (sensitivity, correction factor, baseline).
The raw numbers are taken from the bytes here, not through the library's own scaling.
"""

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file

from procedures.recordings import read_recording

PATH = get_testdata_file("waveform_ecg.dcm", download=False)


@pytest.fixture(scope="module")
def signals():
    return read_recording(PATH)


def test_twelve_leads_of_ten_seconds_at_1000_hz(signals):
    assert len(signals.channels) == 12
    assert {c.sample_rate_hz for c in signals.channels} == {1000.0}
    assert {len(c.samples) for c in signals.channels} == {10_000}
    assert {c.unit for c in signals.channels} == {"uV"}
    assert signals.duration_s == 10.0


def test_values_are_those_of_the_stored_bytes(signals):
    group = pydicom.dcmread(PATH).WaveformSequence[0]
    stored = np.frombuffer(group.WaveformData, "<i2").reshape(10_000, 12)
    for i, channel in enumerate(signals.channels):
        np.testing.assert_allclose(channel.samples, stored[:, i] * 1.25, rtol=0, atol=1e-9)


def test_limb_leads_obey_einthoven(signals):
    """Einthoven 1913: II = I + III; Goldberger 1942: aVR = -(I + II)/2. Holds to the recorder's rounding."""
    leads = {c.label: c.samples for c in signals.channels}
    one, two, three = leads["Lead I (Einthoven)"], leads["Lead II"], leads["Lead III"]
    assert np.abs(two - one - three).max() <= 2 * 1.25
    assert np.abs(leads["Lead aVR"] + (one + two) / 2).max() <= 2 * 1.25
