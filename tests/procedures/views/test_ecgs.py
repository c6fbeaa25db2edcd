"""Pages of electrocardiograms: upload, the viewer and its traces, calipers, typed intervals."""

import io
import json

import numpy as np
import pydicom
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from pydicom.data import get_testdata_file

from procedures.models import EcgMeasurement, IntervalReading
from procedures.services.ecgs import put_reading
from registry.models import Role, new_key
from tests import factories as make
from tests.ecgs import ecg_edf, stored_ecg
from tests.procedures.electrocardiogram.simulated import LEADS, record
from tests.reference.test_ecg_aecg import lead, written

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def site():
    return make.make_site(label="PL mid", aha_segment=11)


@pytest.fixture
def session(site):
    return site.session


@pytest.fixture
def nurse(client, session):
    user = make.make_user(Role.LAB_STAFF, session.centre)
    client.force_login(user)
    return user


def upload(client, session, content, name, state, **values):
    values = {"key": new_key(), "state": state, "taken_at": "2024-03-02T09:20:00"} | values
    address = reverse("procedures:new_ecg", args=[session.pk])
    return client.post(address, values | {"file": SimpleUploadedFile(name, content)})


def dicom_of(leads):
    """The 12-lead object that a DICOM library ships, with a simulated record in its place."""
    dataset = pydicom.dcmread(get_testdata_file("waveform_ecg.dcm", download=False))
    group = dataset.WaveformSequence[0]
    order = [str(d.ChannelSourceSequence[0].CodeMeaning) for d in group.ChannelDefinitionSequence]
    names = [next(n for n in LEADS if text.replace("(Einthoven)", "").split()[-1] == n) for text in order]
    group.WaveformData = np.stack([np.round(leads[n] * 800) for n in names], axis=1).astype("<i2").tobytes()
    out = io.BytesIO()
    dataset.save_as(out)
    return out.getvalue()


def aecg_of(leads, path):
    digits = {name: np.round(samples * 400).astype(int) for name, samples in leads.items()}
    return written(path, [lead(name.upper(), d) for name, d in digits.items()], step="0.001").read_bytes()


@pytest.mark.parametrize("kind", ["DICOM", "aECG"])
def test_uploaded_ecg_goes_round_to_the_trace(client, nurse, session, site, tmp_path, kind):
    made = record("bells", 150, 91).leads
    content = dicom_of(made) if kind == "DICOM" else aecg_of(made, tmp_path / "made.xml")
    answer = upload(client, session, content, f"ecg.{kind}", str(site.pk))
    ecg = EcgMeasurement.objects.get()
    assert answer.url == reverse("procedures:ecg", args=[ecg.pk])
    assert (ecg.site, ecg.recording.format) == (site, kind)
    assert ecg.qrs_duration_ms == pytest.approx(150, abs=8)
    assert f"{ecg.qrs_duration_ms:.0f}" in client.get(answer.url).content.decode()

    drawn = client.get(reverse("procedures:ecg_sheet", args=[ecg.pk])).json()
    panel = next(p for p in drawn["panels"] if p["lead"] == "V2")
    true = made["V2"] - np.median(made["V2"])
    at = np.array(panel["times_ms"]) + 5000
    for ms, shown in zip(at[:1000:50], panel["microvolts"][:1000:50], strict=True):
        near = true[max(ms - 1, 0) : ms + 5] * 1000
        assert near.min() - 5 <= shown <= near.max() + 5
    label = ecg.recording.channels[0]["label"]
    strip = client.get(
        reverse("procedures:caliper_strip", args=[ecg.recording_id]), {"start": 1, "end": 2, "lead": label}
    ).json()
    name = ecg.recording.channels[0]["role"].removeprefix("ECG_")
    part = made[name][1000:2000]
    expected = (part - np.median(part)) * 1000
    assert np.abs(np.array(strip["strips"][0]["microvolts"]) - expected).max() < 3


def test_baseline_and_site_stand_beside_each_other(client, nurse, session, site):
    baseline, ecg = stored_ecg(session, None, 180, 72), stored_ecg(session, site, 150, 71)
    page = client.get(reverse("procedures:ecg", args=[ecg.pk])).content.decode()
    assert reverse("procedures:ecg_sheet", args=[baseline.pk]) in page
    change = ecg.qrs_duration_ms - baseline.qrs_duration_ms
    assert f"−{abs(round(change))}" in page
    drawn = client.get(reverse("procedures:ecg_beats", args=[ecg.pk])).json()
    assert drawn["other"]["label"] == "baseline"
    assert drawn["ecg"]["offset_ms"] - drawn["ecg"]["onset_ms"] == pytest.approx(ecg.qrs_duration_ms, abs=0.001)
    alone = client.get(reverse("procedures:ecg_beats", args=[ecg.pk]), {"with": "none"}).json()
    assert alone["other"] is None


def test_every_clause_shows_its_verdict_and_the_number_behind_it(client, nurse, session):
    ecg = stored_ecg(session, None, 180, 72)
    page = client.get(reverse("procedures:ecg", args=[ecg.pk])).content.decode()
    for definition in ("strict_lbbb", "esc_2013_lbbb", "aha_2009_lbbb"):
        for clause in ecg.result[definition]["clauses"]:
            assert clause["text"].replace(">", "&gt;") in page
    assert "not a certified medical device" in page


def test_position_that_does_not_fit_is_pointed_out_and_left_alone(client, nurse, session, site):
    ecg = stored_ecg(session, site)
    lead_i = ecg.result["leads"]["I"]
    for negative in (True, False):
        ecg.result["leads"]["I"] = lead_i | {"waves": "-+" if negative else "+-"}
        ecg.result["leads"]["V1"] |= {"waves": "+", "r_mv": 1.0, "s_mv": 0.0}
        EcgMeasurement.objects.filter(pk=ecg.pk).update(result=ecg.result, paced=True, latency_ms=10)
        page = client.get(reverse("procedures:ecg", args=[ecg.pk])).content.decode()
        assert ('id="contradiction"' in page) is not negative
    assert "initial negative deflection in I" in page
    site.refresh_from_db()
    assert site.aha_segment == 11


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"time_s,P_LV [mmHg]\n0,1\n1,2\n2,3\n", "p.csv", "twelve leads"),
        (b"\x00\x01rubbish" * 50, "x.bin", "not a recording"),
        (b"", "empty.edf", "empty"),
    ],
)
def test_what_is_no_ecg_is_refused_and_not_kept(client, nurse, session, content, name, words):
    answer = upload(client, session, content, name, "baseline")
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not EcgMeasurement.objects.exists()
    assert not session.recordings.exists()


def test_form_sent_twice_stores_once(client, nurse, session):
    key = new_key()
    first = upload(client, session, ecg_edf(), "e.edf", "baseline", key=key)
    again = upload(client, session, ecg_edf(), "e.edf", "baseline", key=key)
    assert first.url == again.url
    assert EcgMeasurement.objects.count() == 1


def test_caliper_marks_from_the_form_are_kept_or_refused(client, nurse, session, site):
    ecg = stored_ecg(session, site)
    address = reverse("procedures:caliper", args=[ecg.pk])
    values = {"kind": "qlv", "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": "1,100", "to_s": "1.215"}
    refused = client.post(address, values | {"key": new_key(), "from_s": "nonsense"})
    assert refused.status_code == 422
    assert "Mark A: enter only a number" in refused.content.decode()
    assert client.post(address, values | {"key": new_key(), "from_s": "1.100"}).status_code == 302
    assert IntervalReading.objects.get().duration_ms == pytest.approx(115)
    too_far = client.post(address, values | {"key": new_key(), "from_s": "1.1", "to_s": "9.9"})
    assert too_far.status_code == 422
    assert "is possible" in too_far.content.decode()


def test_interval_is_typed_and_corrected(client, nurse, session, site):
    address = reverse("procedures:new_interval", args=[session.pk])
    values = {"key": new_key(), "state": str(site.pk), "kind": "qlv", "duration_ms": "112"}
    values |= {"read_at": "2024-03-02T09:20:00"}
    assert client.post(address, values).status_code == 302
    reading = IntervalReading.objects.get()
    assert (reading.origin, reading.duration_ms) == ("typed", 112)
    where = reverse("procedures:interval", args=[session.pk, reading.pk])
    assert client.post(where, values | {"key": reading.pk, "version": 1, "duration_ms": "115"}).status_code == 302
    reading.refresh_from_db()
    assert reading.duration_ms == 115
    refused = client.post(address, values | {"key": new_key(), "kind": "qrs_duration"})
    assert refused.status_code == 422
    assert "lead measurements" in refused.content.decode()


def test_caliper_interval_is_withdrawn_with_a_reason_from_the_page(client, nurse, session, site):
    ecg = stored_ecg(session, site)
    marks = {"recording": ecg.recording, "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": 1.1, "to_s": 1.215}
    reading = put_reading(by=make.writer_of(session.centre), session=session, site=site, kind="qlv", **marks)
    address = reverse("procedures:interval_withdrawal", args=[session.pk, reading.pk])
    assert address in client.get(reverse("procedures:ecg", args=[ecg.pk])).content.decode()
    assert "QLV" in client.get(address).content.decode()
    empty = client.post(address, {"key": reading.pk, "version": 1, "because": " "})
    assert empty.status_code == 422
    assert "Enter the reason for the withdrawal." in empty.content.decode()
    assert client.post(address, {"key": reading.pk, "version": 1, "because": "Wrong beat <b>"}).status_code == 302
    page = client.get(reverse("procedures:session_ecgs", args=[session.pk])).content.decode()
    assert "Wrong beat &lt;b&gt;" in page
    assert "115 ms (by calipers" not in page
    assert client.post(address, {"key": reading.pk, "version": 2, "because": ""}).status_code == 302
    page = client.get(reverse("procedures:session_ecgs", args=[session.pk])).content.decode()
    assert "115 ms (by calipers" in page


def test_measured_typed_and_read_are_told_apart_everywhere(client, nurse, session, site):
    make.make_measurement(site, qrs_duration_ms=160)
    other = make.make_site(site.tributary, "PL api")
    make.make_measurement(other, qrs_duration_ms=171)
    stored_ecg(session, site)
    put_reading(by=make.writer_of(session.centre), session=session, site=None, kind="qrs_duration", duration_ms=184)
    for name in ("session", "comparison", "report", "session_ecgs"):
        page = " ".join(client.get(reverse(f"procedures:{name}", args=[session.pk])).content.decode().split())
        text = page.replace('<span class="unit">', "").replace("</span>", "")
        if name != "session_ecgs":
            assert "171 entered" in text, name
        assert "measured" in text, name
    assert "160 ms entered" in page
    assert "184" in page


def test_set_aside_lets_the_typed_value_stand(client, nurse, session, site):
    make.make_measurement(site, qrs_duration_ms=160)
    ecg = stored_ecg(session, site)
    address = reverse("procedures:ecg_aside", args=[ecg.pk])
    values = {"key": ecg.pk, "version": ecg.version, "because": "limb leads reversed"}
    assert client.post(address, values).status_code == 302
    page = client.get(reverse("procedures:ecg", args=[ecg.pk])).content.decode()
    assert "limb leads reversed" in page
    text = client.get(reverse("procedures:session", args=[session.pk])).content.decode()
    assert '160 <span class="unit">entered' in text


def test_stretch_of_a_recording_is_measured_by_hand(client, nurse, session, site):
    recording = stored_ecg(session, site).recording
    address = reverse("procedures:recorded_ecg", args=[recording.pk])
    values = {"key": new_key(), "state": "baseline", "start_s": "0", "end_s": "8"}
    assert client.post(address, values).status_code == 302
    assert EcgMeasurement.objects.get(end_s=8).label == "baseline"
    refused = client.post(address, values | {"key": new_key(), "end_s": "800"})
    assert refused.status_code == 422


@pytest.mark.parametrize("role", [*Role.values, None])
def test_other_centres_and_roles_are_refused(client, session, site, role):
    ecg = stored_ecg(session, site)
    reading = {"key": new_key(), "kind": "qlv"}
    pages = [
        reverse("procedures:ecg", args=[ecg.pk]),
        reverse("procedures:ecg_sheet", args=[ecg.pk]),
        reverse("procedures:ecg_beats", args=[ecg.pk]),
        reverse("procedures:caliper_strip", args=[ecg.recording_id]) + "?lead=ECG_I",
        reverse("procedures:session_ecgs", args=[session.pk]),
        reverse("procedures:new_ecg", args=[session.pk]),
        reverse("procedures:new_interval", args=[session.pk]),
        reverse("procedures:recorded_ecg", args=[ecg.recording_id]),
    ]
    client.force_login(make.make_user(role))
    assert {client.get(page).status_code for page in pages} == {404}
    assert client.post(reverse("procedures:caliper", args=[ecg.pk]), reading).status_code == 404
    if role in (Role.RESEARCHER, Role.ADMINISTRATOR):
        client.force_login(make.make_user(role, session.centre))
        assert {client.get(page).status_code for page in pages} <= {403, 404}


@pytest.mark.parametrize(
    "query", ["lead=nope", "start=0&end=9&lead=ECG_I", "start=x&lead=ECG_I", "", "start=5&end=5&lead=ECG_I"]
)
def test_strip_refuses_what_it_cannot_draw(client, nurse, session, query):
    ecg = stored_ecg(session)
    answer = client.get(reverse("procedures:caliper_strip", args=[ecg.recording_id]) + f"?{query}")
    assert answer.status_code == 422


def test_queries_do_not_grow_with_the_ecgs(client, nurse, session, site, django_assert_max_num_queries):
    stored_ecg(session, site)
    for seed in range(73, 78):
        stored_ecg(session, None, 170.0, seed)
    with django_assert_max_num_queries(30):
        client.get(reverse("procedures:session_ecgs", args=[session.pk]))
    with django_assert_max_num_queries(45):
        client.get(reverse("procedures:session", args=[session.pk]))


def test_sheet_of_a_short_or_partial_record(client, nurse, session):
    """Six leads and four seconds: what is there is drawn, what is not is said."""
    made = record("bells", 140, 91).leads
    names = ("I", "II", "V1", "V2", "V4", "V6")
    rows = np.stack([np.arange(4000) / 1000, *(made[name][:4000] for name in names)], axis=1)
    head = "time_s," + ",".join(f"ECG_{name} [mV]" for name in names)
    text = "\n".join([head, *(",".join(f"{v:.4f}" for v in row) for row in rows), ""])
    upload(client, session, text.encode(), "part.csv", "baseline")
    ecg = EcgMeasurement.objects.get()
    drawn = client.get(reverse("procedures:ecg_sheet", args=[ecg.pk])).json()
    missing = {panel["lead"] for panel in drawn["panels"] if panel["missing"]}
    assert missing == {"V3", "V5"}
    assert drawn["length_s"] == pytest.approx(4)
    json.dumps(drawn, allow_nan=False)
