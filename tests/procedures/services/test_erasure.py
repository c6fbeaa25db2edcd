"""A patient who is erased is nowhere any more: not in a table, a file, or a link; and the chain still verifies."""

import json

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from procedures.models import Recording, Session
from procedures.recordings.sealed_file import owner_of
from procedures.selectors.places import originals_root
from procedures.services.recordings import store_recording
from registry.erasing import STORES
from registry.errors import AccessDenied, RuleBroken
from registry.models import Change, Patient, PatientKey, Role, TableImport, TrailHead
from registry.selectors.erasing import models_of_patients, rows_of, stands_for
from registry.selectors.erasures import noted_erasures
from registry.services.course import put_assessment
from registry.services.erasure import APPLIED_AGAIN, ErasureReason, apply_erasures, erase_patient
from registry.services.merging import merge_patients, undo_merge
from registry.trail import record as trail
from registry.trail.canonical import encoded, link
from registry.trail.chain import START
from registry.trail.content import BLANK
from registry.trail.record import parts_of
from registry.trail.verify import chain_faults, faults
from tests import factories as make
from tests.everything import (
    NUMBERS,
    all_files,
    all_words,
    derived_of,
    everything_of,
    found_in,
    mark_everything,
    rows_in_words,
)
from tests.registry.importing.tables import as_csv, begin, checked, decided, loaded
from tests.registry.trail.tampering import untriggered
from tests.revealing import revealed
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db
MARK, OTHER = "Quexmarkov-Ztlb", "Bystander-Wvyx"
HOSPITAL = "HOSP-77QX31"


@pytest.fixture(autouse=True)
def own_places(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "recordings"
    settings.ERASURES_FILE = tmp_path / "apart" / "erasures.jsonl"


@pytest.fixture
def centre():
    return make.make_centre()


@pytest.fixture
def lead(centre):
    return make.make_user(Role.CLINICAL_LEAD, centre)


@pytest.fixture
def patient(centre, lead):
    return make.make_patient(centre, by=lead, code="QX-7741", family_name=MARK, local_identifier=HOSPITAL)


@pytest.fixture
def other(centre, lead):
    return make.make_patient(centre, by=lead, family_name=OTHER)


def erase(patient, lead, **values):
    return erase_patient(by=lead, patient=patient, **{"reason": "request", "code_again": patient.code} | values)


def test_nothing_of_an_erased_patient_is_left_and_another_is_untouched(
    patient, other, centre, lead, django_capture_on_commit_callbacks
):
    third = make.make_patient(centre, by=lead)
    with django_capture_on_commit_callbacks(execute=True):
        sessions = [
            (everything_of(one, lead=lead, mark=mark, apart_from=third, number=number), mark, number)
            for one, mark, number in ((patient, MARK, NUMBERS[0]), (other, OTHER, 32.9937))
        ]
    for session, mark, number in sessions:
        derived_of(session, by=lead, mark=mark, number=number)
    codes = stands_for(patient)
    assert [model for model in models_of_patients() if not rows_of(model, codes).exists()] == []
    missed = mark_everything(codes, MARK)
    assert missed - MAY_MISS == set(), " ".join(sorted(missed - MAY_MISS))
    assert len(found_in(all_words(), MARK)) > 25  # the search finds what is there
    words = [*Patient.objects.filter(pk__in=codes).values_list("code", flat=True), MARK, HOSPITAL]
    words += [str(number) for number in NUMBERS]
    kept, before = rows_in_words(stands_for(other)), all_files()
    theirs = {one.file.name for one in Recording.objects.filter(session__patient__in=codes)}
    unfinished = {name for name in before if name.endswith(".part") and owner_of(originals_root() / name) in codes}
    assert not [name for name, content in before.items() if MARK.encode() in content]
    assert theirs < set(before)
    assert len(unfinished) == 1

    with django_capture_on_commit_callbacks(execute=True):
        erased = erase(patient, lead)

    assert not Patient.objects.filter(pk__in=codes).exists()
    left = found_in(all_words(), *words)
    assert left == set(), left
    assert rows_in_words(stands_for(other)) == kept
    after = all_files()
    assert not (theirs | unfinished) & set(after)
    assert not [name for name in after if any(sha.partition("/")[2] in name for sha in theirs)]
    assert not [name for name, content in after.items() if MARK.encode() in content]
    assert {name: content for name, content in before.items() if name in after} == after
    assert sum(erased.rows.values()) > 40
    assert erased.files == 3
    assert list(chain_faults()) == []
    assert [one for one in faults() if str(patient.pk) in one] == []


# Fields that a rule of the table keeps a mark out of: a text beside a choice, a number beside another.
MAY_MISS = {
    "acuteresponse.probability_best",
    "assessment.lvesv_ml",
    "assessment.quality_of_life_score",
    "calibration.alpha",
    "calibration.alpha_standard_error",
    "calibration.blood_resistivity_ohm_cm",
    "calibration.electrode_spacing_mm",
    "calibration.parallel_standard_error_ml",
    "calibration.reference_end_s",
    "calibration.reference_start_s",
    "calibration.reference_sv_ml",
    "calibration.wash_in_end_s",
    "calibration.wash_in_start_s",
    "epoch.recording_end_s",
    "epoch.recording_start_s",
    "epochmetric.key",
    "intervalreading.from_lead",
    "intervalreading.from_s",
    "intervalreading.to_lead",
    "intervalreading.to_s",
    "leadmeasurement.anode",
    "leadmeasurement.cathode",
    "leadmeasurement.output_v",
    "leadmeasurement.output_width_ms",
    "leadmeasurement.phrenic_none_up_to_v",
}  # fmt: skip


def test_the_numbers_of_an_erased_patient_are_gone_too(patient, lead):
    make.make_assessment(patient, by=lead, lvef_percent=NUMBERS[0])
    assert found_in(all_words(), str(NUMBERS[0])) >= {"registry_assessment", "the trail, opened"}

    erase(patient, lead)

    assert found_in(all_words(), str(NUMBERS[0])) == set()
    assert list(faults()) == []


def test_the_erasure_is_a_link_with_who_when_and_why(patient, lead):
    erase(patient, lead, reason="withdrawn")

    said = Change.objects.get(action="erased")
    assert (said.record_id, said.actor_id) == (patient.pk, lead.pk)
    assert revealed(said)["reason"] == ErasureReason.WITHDRAWN.label
    assert not PatientKey.objects.filter(pk=patient.pk).exists()
    assert list(faults()) == []


@pytest.mark.parametrize("role", [role for role in Role.values if role != Role.CLINICAL_LEAD])
def test_only_a_clinical_lead_of_the_centre_may(patient, centre, role):
    for by in (make.make_user(role, centre), make.make_user(Role.CLINICAL_LEAD)):
        with pytest.raises(AccessDenied, match="Only the clinical lead can erase a patient"):
            erase(patient, by)
    assert Patient.objects.filter(pk=patient.pk).exists()


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"reason": ""}, "Give one of these reasons"),
        ({"reason": "because"}, "Give one of these reasons"),
        ({"code_again": ""}, "not the patient's code"),
        ({"code_again": "P-0099"}, "not the patient's code"),
    ],
)
def test_it_needs_a_reason_and_the_code_again(patient, lead, values, said):
    with pytest.raises(RuleBroken, match=said):
        erase(patient, lead, **values)
    assert Patient.objects.filter(pk=patient.pk).exists()
    assert noted_erasures() == []


def test_a_merged_code_is_not_erased_by_itself(patient, other, lead):
    merge_patients(by=lead, kept=other, merged=patient, reason="registered twice")
    patient.refresh_from_db()
    with pytest.raises(RuleBroken, match="was merged into another code"):
        erase(patient, lead)

    erase(other, lead)

    assert not Patient.objects.filter(pk__in=[patient.pk, other.pk]).exists()
    assert list(faults()) == []


def test_what_was_written_while_a_wrong_merge_stood_goes_with_the_right_person(patient, other, lead):
    one = make.make_assessment(patient, by=lead, lvef_percent=NUMBERS[0])
    merge = merge_patients(by=lead, kept=other, merged=patient, reason="taken for the same")
    put_assessment(by=lead, patient=other, key=one.pk, version=2, kind="before", assessed_on=make.DAY, lvef_percent=44)
    undo_merge(by=lead, merge=merge, reason="two persons")
    patient.refresh_from_db()
    assert list(faults()) == []

    erase(patient, lead)

    left = [revealed(change) for change in Change.objects.filter(record_id=one.pk) if _readable(change)]
    assert left == []
    assert list(faults()) == []
    assert Patient.objects.filter(pk=other.pk).exists()


def _readable(change):
    try:
        revealed(change)
    except ValueError:
        return False
    return True


def in_the_clear(centre):
    """Write the centre's links as they were before links were sealed."""
    with untriggered():
        _rewrite(centre)
    PatientKey.objects.all().delete()


def _rewrite(centre):
    digest = START
    for change in Change.objects.filter(centre_id=centre.pk).order_by("sequence"):
        held = revealed(change)
        change.reason = held.pop("reason")
        change.values, change.previous_digest = encoded(held), digest
        change.digest = digest = link(digest, parts_of(change))
        Change.objects.filter(pk=change.pk).update(
            reason=change.reason, values=change.values, previous_digest=change.previous_digest, digest=digest
        )
    TrailHead.objects.filter(pk=centre.pk).update(digest=digest)


def test_links_written_before_they_were_sealed_are_read_verified_and_blanked(patient, other, centre, lead):
    session = make.make_session(patient, by=lead, notes=MARK)
    site = make.make_site(make.make_tributary(session, by=lead, notes=MARK), label=MARK, by=lead)
    make.enter(make.make_epoch(site=site, by=lead), by=lead)
    make.make_session(other, by=lead, notes=OTHER)
    in_the_clear(centre)
    assert "the trail, opened" in found_in(all_words(), MARK)
    assert list(faults()) == []
    make.make_assessment(patient, by=lead)  # from now on sealed
    assert list(faults()) == []

    erased = erase(patient, lead)

    assert erased.links == Change.objects.filter(values=BLANK).count() > 5
    assert found_in(all_words(), MARK, HOSPITAL, patient.code) == set()
    assert found_in(all_words(), OTHER) >= {"procedures_session", "registry_change"}
    assert list(faults()) == []


def test_a_link_blanked_without_an_erasure_is_found(patient, other, centre, lead):
    in_the_clear(centre)
    erase(patient, lead)
    theirs = Change.objects.filter(record_id=other.pk).earliest("sequence")
    Change.objects.filter(pk=theirs.pk).update(values=BLANK, reason="")

    assert any(f"link {theirs.sequence}: has been blanked or altered" in one for one in faults())


def test_what_is_left_of_a_blanked_link_is_still_bound(patient, centre, lead):
    in_the_clear(centre)
    erase(patient, lead)
    blank = Change.objects.filter(values=BLANK).earliest("sequence")
    with untriggered():
        Change.objects.filter(pk=blank.pk).update(actor_name="Somebody else")

    assert any(f"link {blank.sequence}: has been blanked or altered" in one for one in faults())


def test_a_key_destroyed_without_an_erasure_is_found(patient, lead):
    PatientKey.objects.filter(pk=patient.pk).delete()

    assert any("sealed under a key that is lost, and no erasure was recorded" in one for one in faults())


def test_an_erasure_forged_by_sql_is_not_believed(patient, lead):
    PatientKey.objects.filter(pk=patient.pk).delete()
    content = {"new": {}, "old": {}, "blanked": {}, "signature": "0" * 64}
    trail.append(centre_id=patient.centre_id, by=lead, action="erased", record=patient, content=content, clear=True)

    assert any("no erasure was recorded" in one for one in faults())


def test_a_row_of_an_erased_patient_put_back_is_found(patient, lead):
    kept = Patient.objects.get(pk=patient.pk)
    erase(patient, lead)
    Patient.objects.bulk_create([kept])

    assert any("is of a patient who was erased" in one for one in faults())


def test_a_sealed_link_cannot_stand_for_another(patient, lead):
    first, second = Change.objects.filter(values__startswith="sealed ").order_by("sequence")[:2]
    first.values = second.values

    assert not _readable(first)


def test_tables_under_way_that_mention_the_patient_are_thrown_away_and_others_stay(patient, centre, lead):
    head = ["family_name", "given_name", "birth_date", "local_identifier"]
    theirs = begin(
        lead, centre, as_csv([head, [MARK.upper(), "A", "1950-01-02", "X-1"], ["B", "B", "1950-01-03", "2"]])
    )
    others = begin(lead, centre, as_csv([head, ["Somebody", "C", "1950-01-02", "X-9"]]))

    erase(patient, lead)

    theirs.refresh_from_db()
    others.refresh_from_db()
    assert (theirs.state, theirs.pieces.count()) == ("discarded", 0)
    assert others.pieces.count() > 0
    assert others.state == "new"


def test_a_loaded_table_forgets_its_name_once_a_patient_of_it_is_erased(centre, lead):
    head = ["family_name", "given_name", "birth_date", "local_identifier"]
    run = begin(lead, centre, as_csv([head, [MARK, "A", "1950-01-02", "X-1"]]), name=f"{MARK}.csv")
    loaded(lead, checked(lead, decided(lead, run)))
    patient = Patient.objects.get(centre=centre)
    assert "registry_tableimport" in found_in(all_words(), MARK)

    erase(patient, lead)

    assert found_in(all_words(), MARK) == set()
    assert TableImport.objects.get().state == "loaded"
    assert list(faults()) == []


def test_a_file_that_another_recording_shares_stays(centre, lead, patient, other, django_capture_on_commit_callbacks):
    for one in (patient, other):
        with django_capture_on_commit_callbacks(execute=True):
            session = make.make_session(one, by=lead)
            upload = Uploaded(pressure_volume_csv(6))
            store_recording(by=lead, session=session, upload=upload, original_name="a.csv", started_at=make.START)

    with django_capture_on_commit_callbacks(execute=True):
        erase(patient, lead)

    recording = Recording.objects.get()
    assert recording.session.patient == other
    assert recording.file.name in all_files()


def test_after_a_restore_the_erasures_are_applied_again(patient, other, lead, settings):
    session = make.make_session(patient, by=lead, notes=MARK)
    backup = {model: list(rows_of(model, [patient.pk])) for model in reversed(models_of_patients())}
    keys = list(PatientKey.objects.filter(pk=patient.pk))
    erase(patient, lead)
    for model, rows in backup.items():
        model._base_manager.bulk_create(rows)
    PatientKey.objects.bulk_create(keys)
    assert Session.objects.filter(pk=session.pk).exists()
    answer = Client().get("/readyz")
    assert answer.status_code == 503, "nobody reads a person who was erased"
    assert answer.json()["components"]["erasures"]["says"].startswith("1 erased patients are back")

    apply_erasures()

    assert Client().get("/readyz").json()["components"]["erasures"]["well"]
    assert found_in(all_words(), MARK, HOSPITAL, patient.code) == set()
    assert [revealed(one)["reason"] for one in Change.objects.filter(action="erased").order_by("sequence")] == [
        ErasureReason.REQUEST.label,
        APPLIED_AGAIN,
    ]
    assert list(faults()) == []
    assert apply_erasures() == []
    assert Patient.objects.filter(pk=other.pk).exists()


def test_the_list_of_erasures_holds_nothing_that_can_be_read_and_is_signed(patient, lead, settings):
    make.make_session(patient, by=lead, notes=MARK)
    erase(patient, lead)
    text = settings.ERASURES_FILE.read_text(encoding="utf-8")
    assert not any(word in text for word in (MARK, HOSPITAL, patient.code))
    assert [one.patients for one in noted_erasures()] == [(patient.pk,)]

    held = json.loads(text)
    held["patients"].append(str(lead.pk))
    settings.ERASURES_FILE.write_text(json.dumps(held), encoding="utf-8")
    with pytest.raises(CommandError, match=r"Line 1 of the list of erasures .* was changed") as failed:
        call_command("apply_erasures")
    assert failed.value.returncode == 2


def test_an_erasure_that_fails_on_a_row_just_added_is_not_on_the_list(patient, lead, on_postgresql, monkeypatch):
    if not on_postgresql:
        pytest.skip("on SQLite nobody writes meanwhile")
    make.make_session(patient, by=lead)
    seen = [model for model in models_of_patients() if model is not Session]
    monkeypatch.setattr("registry.services.erasure.models_of_patients", lambda: seen)
    with pytest.raises(RuleBroken, match="Somebody is writing to this patient"):
        erase(patient, lead)
    assert noted_erasures() == []
    assert Patient.objects.filter(pk=patient.pk).exists()


def test_without_its_list_no_patient_is_erased(patient, lead, settings, tmp_path):
    settings.ERASURES_FILE = tmp_path / "file" / "erasures.jsonl"
    (tmp_path / "file").write_text("in the way")

    with pytest.raises(RuleBroken, match=r"The list of erasures .* cannot be written"):
        erase(patient, lead)
    assert Patient.objects.filter(pk=patient.pk).exists()


def test_every_store_of_files_takes_part():
    assert set(STORES) == {"recordings", "signals", "uploads"}


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"centre": "nowhere"}, "There is no centre 'nowhere'."),
        ({"by": "nobody"}, "There is no active user 'nobody'."),
        ({"reason": "whim"}, "Give one of these reasons"),
        ({"code_again": "P-1"}, "Nothing was erased."),
    ],
)
def test_the_command_refuses_in_a_sentence(patient, centre, lead, options, said):
    given = {"centre": centre.code, "by": lead.username, "reason": "request", "code_again": patient.code} | options
    with pytest.raises(CommandError, match=said) as failed:
        call_command("erase_patient", patient.code, **given)
    assert failed.value.returncode == 2
    assert Patient.objects.filter(pk=patient.pk).exists()


def test_the_command_erases_and_says_what_went(patient, centre, lead, capsys):
    call_command(
        "erase_patient", patient.code, centre=centre.code, by=lead.username, reason="order",
        code_again=patient.code, leave_space=True,
    )  # fmt: skip
    assert capsys.readouterr().out.startswith("Erased: 2 rows, 0 files, 0 imports emptied, 0 links blanked.")
    assert not Patient.objects.exists()
