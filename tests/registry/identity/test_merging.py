"""Two codes of one person: everything moves, nothing is lost, and undoing restores what was."""

import datetime as dt

import pytest

from procedures.models import Session
from registry.errors import AccessDenied, RuleBroken
from registry.importing.building import Patients
from registry.models import Assessment, Consent, ConsentScope, Patient, PatientIdentity, PatientMerge, Role
from registry.selectors.duplicates import merged_codes, suspected_pairs
from registry.selectors.patients import patient_list, search_patients, with_consent
from registry.services.course import put_adverse_event, put_consent
from registry.services.merging import keep_apart, merge_patients, undo_merge
from registry.services.patients import describe_patient, record_death, register_patient
from registry.services.queries import raise_query
from registry.trail.record import state_of
from registry.trail.verify import faults
from tests import factories as make
from tests.revealing import for_reason

pytestmark = pytest.mark.django_db
OWNED = (Assessment, Consent, Session)


@pytest.fixture
def lead():
    return make.make_user(Role.CLINICAL_LEAD)


@pytest.fixture
def two(lead):
    """One person registered twice, each time with some records."""
    centre = lead.memberships.get().centre
    names = {"family_name": "Zebrafield", "given_name": "Annabella", "birth_date": dt.date(1951, 7, 23)}
    first = make.make_patient(centre, local_identifier="HOSP-998877", **names)
    second = make.make_patient(centre, local_identifier="HOSP 998877", **names)
    for patient in (first, second):
        make.make_assessment(patient, lvef_percent=30)
        make.make_session(patient)
        make.make_device(patient, serial_number="SN-1")
        make.make_adverse_event(patient)
    make.make_consent(second)
    return first, second


def everything():
    """The content of every row that a merge could touch."""
    models = [Patient, PatientIdentity, Assessment, Consent, Session]
    models += [Patient._meta.get_field(name).related_model for name in ("devices", "adverse_events")]
    return {(model, row.pk): state_of(row) for model in models for row in model.objects.all()}


def test_everything_moves_and_both_rows_stay(lead, two):
    kept, merged = two
    before = {model: model.objects.count() for model in OWNED}

    merge = merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")

    merged.refresh_from_db()
    assert merged.merged_into == kept
    assert {model: model.objects.filter(patient=kept).count() for model in OWNED} == before
    assert kept.devices.count() == kept.adverse_events.count() == 2
    assert PatientIdentity.objects.filter(patient__in=two).count() == 2
    assert sum(len(keys) for keys in merge.moved.values()) == 5
    links = for_reason("registered twice")
    assert links.count() == 5 + 2  # each row, the merged code, the merge itself
    assert set(links.values_list("actor_id", flat=True)) == {lead.pk}
    assert list(faults()) == []


def test_undoing_restores_exactly(lead, two):
    kept, merged = two
    before = everything()
    merge = merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")
    assert everything() != before

    undone = undo_merge(by=lead, merge=merge, reason="two people after all")

    assert everything() == before
    assert undone.undone_by == lead
    assert list(faults()) == []
    again = merge_patients(by=lead, kept=kept, merged=merged, reason="one after all")
    assert again.pk != merge.pk


def test_what_came_since_stays_with_the_kept_code(lead, two):
    kept, merged = two
    merge = merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")
    later = make.make_assessment(kept, lvef_percent=44)

    undo_merge(by=lead, merge=merge, reason="two people after all")

    assert Assessment.objects.get(pk=later.pk).patient == kept
    assert merged.assessments.count() == 1


def test_what_both_have_stays_where_it_is(lead, two):
    kept, merged = two
    make.make_consent(kept)  # the same scope and day as the other's

    merge = merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")

    assert "registry.consent" not in merge.moved
    assert kept.consents.count() == merged.consents.count() == 1


@pytest.mark.parametrize(
    ("ours", "theirs", "after"),
    [
        (None, "2024-05-01", "2024-05-01"),
        ("2024-06-01", "2024-05-01", "2024-05-01"),
        ("2024-04-01", "2024-05-01", "2024-04-01"),
        ("2024-04-01", None, "2024-04-01"),
    ],
)
def test_a_consent_taken_back_under_either_code_stays_taken_back(lead, two, ours, theirs, after):
    kept, merged = two
    merged.consents.all().delete()
    own = make.make_consent(kept, withdrawn_on=ours)
    make.make_consent(merged, withdrawn_on=theirs)
    before = everything()

    merge = merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")

    own.refresh_from_db()
    assert str(own.withdrawn_on) == after
    today = dt.date(2025, 1, 1)
    assert not with_consent(Patient.objects.all(), ConsentScope.RESEARCH, today).exists()
    undo_merge(by=lead, merge=merge, reason="two people after all")
    assert everything() == before


def test_a_day_of_withdrawal_corrected_since_is_not_undone(lead, two):
    kept, merged = two
    merged.consents.all().delete()
    own = make.make_consent(kept)
    make.make_consent(merged, withdrawn_on=dt.date(2024, 5, 1))
    merge = merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")
    own.refresh_from_db()
    values = {"scope": "research", "given_on": own.given_on, "withdrawn_on": dt.date(2024, 5, 3)}
    put_consent(by=make.writer_of(kept.centre), patient=kept, key=own.pk, version=own.version, **values)

    undo_merge(by=lead, merge=merge, reason="two people after all")

    own.refresh_from_db()
    assert own.withdrawn_on == dt.date(2024, 5, 3)


def test_a_merged_code_takes_nothing_and_names_the_code_that_stands(lead, two):
    first, second = two
    third = make.make_patient(first.centre)
    merge_patients(by=lead, kept=second, merged=third, reason="one")
    merge_patients(by=lead, kept=first, merged=second, reason="two")
    by = make.writer_of(first.centre)
    before = everything()
    for code in (third, second):
        event = {"kind": "haematoma", "occurred_on": make.DAY, "severity": "minor", "relation": "related"}
        about = {"record_type": "registry.patient", "record": code, "field": "sex", "text": "?"}
        for write in (
            lambda code=code: make.make_assessment(code),
            lambda code=code: make.make_consent(code),
            lambda code=code: make.make_device(code),
            lambda code=code: make.make_device_check(code),
            lambda code=code, event=event: put_adverse_event(by=by, patient=code, **event),
            lambda code=code: make.make_session(code),
            lambda code=code: describe_patient(by=by, patient=code, sex="male"),
            lambda code=code: record_death(by=by, patient=code, died_on=make.DAY),
            lambda about=about: raise_query(by=by, **about),
        ):
            with pytest.raises(RuleBroken, match=f"merged into {first.code}. Enter this for {first.code}"):
                write()
    assert everything() == before


def test_a_chain_of_merges_leads_to_its_end(lead, two):
    first, second = two
    third = make.make_patient(first.centre, local_identifier="HOSP-OLDEST")
    merge_patients(by=lead, kept=second, merged=third, reason="one")
    merge_patients(by=lead, kept=first, merged=second, reason="two")

    for sought in (third.code, "HOSP-OLDEST", second.code):
        assert list(search_patients(lead, sought)) == [first], sought
    rows = Patients(first.centre)
    assert rows.meant({"patient_code": third.code}) == (first.pk, [])
    assert rows.meant({"patient_number": "HOSP-OLDEST", "patient_code": second.code}) == (first.pk, [])
    assert merged_codes(first) == [second, third]
    with pytest.raises(RuleBroken, match=f"already registered, as {first.code}"):
        make.make_patient(first.centre, local_identifier="HOSP-OLDEST")


def test_the_merged_code_is_in_no_list_and_finds_the_kept_one(lead, two):
    kept, merged = two
    merge_patients(by=lead, kept=kept, merged=merged, reason="registered twice")

    assert list(patient_list(lead)) == [kept]
    for sought in (merged.code, "HOSP 998877", kept.code, "HOSP-998877"):
        assert list(search_patients(lead, sought)) == [kept], sought
    with pytest.raises(RuleBroken, match=f"already registered, as {kept.code}"):
        register_patient(
            by=make.writer_of(kept.centre),
            centre=kept.centre,
            family_name="A",
            given_name="B",
            birth_date=dt.date(1950, 1, 1),
            local_identifier="HOSP 998877",
            sex="female",
            aetiology="unknown",
        )


def test_what_is_refused(lead, two):
    kept, merged = two
    elsewhere = make.make_patient()
    with pytest.raises(RuleBroken, match="two different patients of one centre"):
        merge_patients(by=lead, kept=kept, merged=kept, reason="x")
    with pytest.raises(RuleBroken, match="two different patients of one centre"):
        merge_patients(by=lead, kept=kept, merged=elsewhere, reason="x")
    with pytest.raises(RuleBroken, match="Enter the reason"):
        merge_patients(by=lead, kept=kept, merged=merged, reason="  ")
    with pytest.raises(AccessDenied):
        merge_patients(by=make.writer_of(kept.centre), kept=kept, merged=merged, reason="x")
    record_death(by=make.writer_of(kept.centre), patient=merged, died_on=dt.date(2024, 5, 1))
    with pytest.raises(RuleBroken, match=f"Correct the date for {kept.code} first"):
        merge_patients(by=lead, kept=kept, merged=merged, reason="x")
    assert not PatientMerge.objects.exists()


def test_merges_are_undone_in_order(lead, two):
    first, second = two
    third = make.make_patient(first.centre)
    inner = merge_patients(by=lead, kept=second, merged=third, reason="one")
    outer = merge_patients(by=lead, kept=first, merged=second, reason="two")

    with pytest.raises(RuleBroken, match="merged later\\. Undo that merge first"):
        undo_merge(by=lead, merge=inner, reason="no")
    with pytest.raises(RuleBroken, match="already been merged into another code"):
        merge_patients(by=lead, kept=first, merged=second, reason="again")
    undo_merge(by=lead, merge=outer, reason="no")
    undo_merge(by=lead, merge=inner, reason="no")
    with pytest.raises(RuleBroken, match="already been undone"):
        undo_merge(by=lead, merge=inner, reason="no")


def test_suspected_pairs_leave_out_what_was_judged(lead, two, django_assert_max_num_queries):
    first, second = two
    with django_assert_max_num_queries(6):
        suspects = suspected_pairs(lead, first.centre)
    assert [(pair.first, pair.second) for pair in suspects.pairs] == [(first, second)]
    assert "same birth date" in suspects.pairs[0].reasons

    keep_apart(by=lead, first=second, second=first, reason="cousins")
    assert suspected_pairs(lead, first.centre).count == 0
    keep_apart(by=lead, first=first, second=second, reason="cousins indeed")

    with pytest.raises(AccessDenied):
        suspected_pairs(make.writer_of(first.centre), first.centre)
