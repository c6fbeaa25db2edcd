"""HL7 version 3 annotated electrocardiogram (aECG), a small reader of an open standard.

Source of the form: HL7 aECG implementation guide, 21 March 2005: a sequenceSet holds one TIME_ABSOLUTE sequence
(GLIST_TS: head, increment) and one sequence for each lead (SLIST_PQ: origin, scale, digits; MDC_ECG_LEAD_* codes);
value = origin + scale · digit. The files here are written out by hand from that form, and one with the general-purpose
converter ``save2aecg`` where it is installed.
"""

import shutil
import subprocess

import numpy as np
import pytest

from procedures.electrocardiogram import electrocardiogram, measure
from procedures.recordings import Channel, RecordingError, Signals, assign_roles, read_recording, write_edf
from tests.procedures.electrocardiogram.simulated import LEADS, record

LEAD = """<component><sequence><code code="MDC_ECG_LEAD_{code}" codeSystem="2.16.840.1.113883.6.24"/>
<value xsi:type="SLIST_PQ"><origin value="{origin}" unit="uV"/><scale value="{scale}" unit="uV"/>
<digits>{digits}</digits></value></sequence></component>"""
TIME = """<component><sequence><code code="TIME_ABSOLUTE" codeSystem="2.16.840.1.113883.5.4"/>
<value xsi:type="GLIST_TS"><head value="20240117101530.000"/><increment value="{step}" unit="{unit}"/></value>
</sequence></component>"""
DERIVED = """<derivation><derivedSeries><code code="REPRESENTATIVE_BEAT" codeSystem="2.16.840.1.113883.5.4"/>
<component><sequenceSet>{time}{leads}</sequenceSet></component></derivedSeries></derivation>"""
FILE = """<?xml version="1.0" encoding="{encoding}"?>
<AnnotatedECG xmlns="urn:hl7-org:v3" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
<id root="2.16.840.1.113883.3.4"/><code code="93000" codeSystem="2.16.840.1.113883.6.12"/><text>{text}</text>
<component><series><code code="RHYTHM" codeSystem="2.16.840.1.113883.5.4"/>
<component><sequenceSet>{time}{leads}</sequenceSet></component>{derived}</series></component></AnnotatedECG>"""


def lead(code, digits, origin="0", scale="2.5"):
    return LEAD.format(code=code, digits=" ".join(map(str, digits)), origin=origin, scale=scale)


def written(path, leads, step="0.002", unit="s", derived="", text="", encoding="UTF-8", time=None):
    time = TIME.format(step=step, unit=unit) if time is None else time
    whole = FILE.format(time=time, leads="".join(leads), derived=derived, text=text, encoding=encoding)
    path.write_bytes(whole.encode(encoding))
    return path


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ecg.xml"


def refusal(path):
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    return str(caught.value)


def test_values_are_origin_plus_scale_times_digits(path):
    signals = read_recording(written(path, [lead("I", [0, 4, -2]), lead("AVR", [1, 2, 3], origin="10", scale="5")]))
    one, avr = signals.channels
    assert (one.label, one.unit, one.sample_rate_hz) == ("I", "uV", 500.0)
    assert one.samples.tolist() == [0.0, 10.0, -5.0]
    assert avr.samples.tolist() == [15.0, 20.0, 25.0]
    assert signals.format == "aECG"
    assert signals.duration_s == 0.006
    assert signals.started_at.isoformat() == "2024-01-17T10:15:30"
    assert len(signals.sha256) == 64


@pytest.mark.parametrize(("step", "unit", "rate"), [("0.001", "s", 1000), ("4", "ms", 250), ("2000", "us", 500)])
def test_time_step_gives_the_rate(path, step, unit, rate):
    assert read_recording(written(path, [lead("I", [1, 2])], step, unit)).channels[0].sample_rate_hz == rate


def test_all_twelve_leads_are_recognised(path):
    signals = read_recording(written(path, [lead(name.upper(), [1, 2, 3]) for name in LEADS]))
    assignment = assign_roles(signals.channels)
    assert assignment.roles == tuple(f"ECG_{name}" for name in LEADS)
    assert set(assignment.factors) == {0.001}


def test_derived_beats_are_left_out_and_said(path):
    derived = DERIVED.format(time=TIME.format(step="0.002", unit="s"), leads=lead("I", [9, 9]))
    signals = read_recording(written(path, [lead("I", [1, 2, 3])], derived=derived))
    assert len(signals.channels) == 1
    assert "states as derived" in signals.notes[0]


def test_other_encodings_and_a_byte_order_mark_are_read(path):
    assert read_recording(written(path, [lead("I", [1, 2])], text="Größe", encoding="ISO-8859-1")).channels
    whole = written(path, [lead("I", [1, 2])]).read_bytes()
    path.write_bytes(b"\xef\xbb\xbf" + whole)
    assert read_recording(path).channels


def test_simulated_record_is_measured_as_it_was_before(path):
    made = record("bells", 150, 91)
    digits = {name: np.round(samples * 1000 / 2.5).astype(int) for name, samples in made.leads.items()}
    signals = read_recording(written(path, [lead(n.upper(), d) for n, d in digits.items()], step="0.001"))
    leads = {c.label: c.samples / 1000 for c in signals.channels}
    for name in LEADS:
        np.testing.assert_allclose(leads[name], made.leads[name], atol=0.00126)
    direct, through = (measure(electrocardiogram(source, 1000.0)) for source in (made.leads, leads))
    assert through.qrs_duration_ms == pytest.approx(direct.qrs_duration_ms, abs=1)


@pytest.mark.skipif(shutil.which("save2aecg") is None, reason="the general-purpose converter is not installed")
def test_file_of_a_general_purpose_converter_is_read(tmp_path, path):
    made = record("bells", 150, 91)
    channels = tuple(Channel(name, "mV", 1000.0, made.leads[name]) for name in LEADS)
    source = tmp_path / "ecg.edf"
    write_edf(source, Signals(channels, (), "EDF+", 10.0))
    subprocess.run(["save2aecg", str(source), str(path)], check=True, timeout=60, capture_output=True)
    signals = read_recording(path)
    assert len(signals.channels) == 12
    for channel, name in zip(signals.channels, LEADS, strict=True):
        assert np.corrcoef(channel.samples[:9000], made.leads[name][:9000])[0, 1] > 0.999


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"leads": []}, "no leads"),
        ({"leads": [lead("I", [1, 2])], "time": ""}, "no time step"),
        ({"leads": [lead("I", [1, 2])], "step": "0"}, "not a length of time"),
        ({"leads": [lead("I", [1, 2])], "step": "x"}, "time step that is not a number"),
        ({"leads": [lead("I", [1, 2])], "unit": "mV"}, "not a length of time"),
        ({"leads": [lead("I", [1, 2]), lead("II", [1])]}, "one length"),
        ({"leads": [lead("I", [])]}, "empty"),
        ({"leads": [lead("I", [1, "x"])]}, "not a number"),
        ({"leads": [lead("I", [1, 2], scale="x")]}, "scale that is not a number"),
        ({"leads": [lead("I", [1, 2], origin="nan")]}, "origin that is not a number"),
    ],
)
def test_what_is_no_waveform_is_refused_in_words(path, change, words):
    assert words in refusal(written(path, **change))


def test_other_xml_and_damaged_xml_are_refused(path):
    path.write_text("<html><body/></html>")
    assert "not an HL7 aECG" in refusal(path)
    whole = written(path, [lead("I", range(100))]).read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert "damaged" in refusal(path)


def test_entities_are_refused_before_they_are_expanded(path):
    bomb = "<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'><!ENTITY b '&a;&a;&a;'>]>"
    whole = written(path, [lead("I", [1, 2])]).read_text()
    path.write_text(whole.replace("?>\n", f"?>\n{bomb}\n", 1))
    assert "entities" in refusal(path)
