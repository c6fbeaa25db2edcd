"""The database itself refuses what must not be, with every check of the application bypassed."""

import datetime as dt

import pytest
from django.apps import apps
from django.db import IntegrityError, transaction
from django.db.models import CheckConstraint, F, ProtectedError

from registry.models import (
    AdverseEvent,
    Assessment,
    Consent,
    DataQuery,
    Device,
    ImportPiece,
    ImportRun,
    Invitation,
    Member,
    Patient,
    QueryTurn,
    Role,
    TableImport,
)
from registry.models.base import new_key
from registry.models.merge import PatientMerge
from tests import factories as make

pytestmark = pytest.mark.django_db

RANGES = {
    "nyha_class": (1, 4),
    "qrs_duration_ms": (40, 320),
    "lvef_percent": (3, 90),
    "lvedv_ml": (20, 800),
    "lvesv_ml": (5, 750),
    "nt_probnp_pg_per_ml": (1, 200000),
    "creatinine_umol_per_l": (10, 2500),
    "systolic_mmhg": (40, 300),
    "diastolic_mmhg": (20, 200),
    "six_minute_walk_m": (0, 1500),
    "bnp_pg_per_ml": (1, 50000),
    "height_cm": (90, 250),
    "weight_kg": (20, 350),
    "ventricular_pacing_percent": (0, 100),
    "scar_burden_percent": (0, 100),
}
CHECK_RANGES = {
    "biventricular_pacing_percent": (0, 100),
    "pulse_width_ms": (0.02, 3),
    "ra_threshold_v": (0.05, 15),
    "rv_threshold_v": (0.05, 15),
    "lv_threshold_v": (0.05, 15),
    "ra_impedance_ohm": (50, 5000),
    "rv_impedance_ohm": (50, 5000),
    "lv_impedance_ohm": (50, 5000),
    "ra_sensing_mv": (0.05, 30),
    "rv_sensing_mv": (0.1, 50),
    "battery_months": (0, 240),
    "atrial_arrhythmia_percent": (0, 100),
    "ventricular_episodes": (0, 10000),
    "shocks": (0, 1000),
}
VISIT_RANGES = {"after_days": (0, 3660), "early_days": (0, 366), "late_days": (0, 366)}
_BEFORE = dt.date(2024, 1, 1)


def make_query():
    """Return a query about a patient's sex."""
    patient = make.make_patient()
    about = {"record_type": "registry.patient", "record_id": patient.pk, "field": "sex"}
    return DataQuery.objects.create(centre=patient.centre, patient=patient, **about)


def make_turn():
    """Return the turn that raised a query."""
    query = make_query()
    author = make.writer_of(query.centre)
    return QueryTurn.objects.create(query=query, kind="raised", text="Is this right?", author=author)


def make_import():
    """Return an import of a table, as it stands before its file is read."""
    centre = make.make_centre()
    file = {"original_name": "a.csv", "sha256": "0" * 64, "size_bytes": 1, "encoding": "utf-8"}
    return TableImport.objects.create(centre=centre, kind="patients", uploaded_by=make.writer_of(centre), **file)


def make_import_piece():
    """Return a piece of an import's file."""
    return ImportPiece.objects.create(table_import=make_import(), of="file", number=1, content="a")


def make_import_run():
    """Return a dry run that waits."""
    return ImportRun.objects.create(table_import=make_import(), task="check")


def make_invitation():
    user = make.make_user()
    return Invitation.objects.create(user=user, centre=make.make_centre(), role=Role.LAB_STAFF, invited_by=user)


def make_merge():
    """Return the merge of two patients of a centre."""
    kept = make.make_patient()
    merged, by = make.make_patient(kept.centre), make.writer_of(kept.centre)
    about = {"merged_by": by, "merged_at": make.START, "reason": "Same person."}
    return PatientMerge.objects.create(centre=kept.centre, kept=kept, merged=merged, **about)


# Name of the constraint -> maker of a lawful row, and the values that break it.
CASES = {
    "invitation_role_known": (make_invitation, {"role": "visitor"}),
    "invitation_answer_known": (make_invitation, {"answer": "perhaps"}),
    "member_role_known": (lambda: Member.objects.get(user=make.make_user()), {"role": "visitor"}),
    "patient_sex_known": (make.make_patient, {"sex": "other"}),
    "patient_aetiology_known": (make.make_patient, {"aetiology": ""}),
    "consent_scope_known": (lambda: make.make_consent(make.make_patient()), {"scope": "all"}),
    "consent_withdrawn_on_after_given_on": (
        lambda: make.make_consent(make.make_patient()),
        {"withdrawn_on": _BEFORE},
    ),
    "assessment_kind_known": (lambda: make.make_assessment(make.make_patient()), {"kind": "during"}),
    "assessment_rhythm_known": (lambda: make.make_assessment(make.make_patient()), {"rhythm": ""}),
    "assessment_qrs_morphology_known": (lambda: make.make_assessment(make.make_patient()), {"qrs_morphology": "?"}),
    "assessment_lvesv_below_lvedv": (
        lambda: make.make_assessment(make.make_patient()),
        {"lvesv_ml": 150, "lvedv_ml": 150},
    ),
    "device_kind_known": (lambda: make.make_device(make.make_patient()), {"kind": "pump"}),
    "device_explanted_on_after_implanted_on": (
        lambda: make.make_device(make.make_patient()),
        {"explanted_on": _BEFORE},
    ),
    "device_lead_has_chamber": (lambda: make.make_device(make.make_patient()), {"kind": "lead"}),
    "adverseevent_kind_known": (lambda: make.make_adverse_event(make.make_patient()), {"kind": "flu"}),
    "adverseevent_severity_known": (lambda: make.make_adverse_event(make.make_patient()), {"severity": ""}),
    "adverseevent_relation_known": (lambda: make.make_adverse_event(make.make_patient()), {"relation": "maybe"}),
    "assessment_imaging_method_known": (lambda: make.make_assessment(make.make_patient()), {"imaging_method": "ct"}),
    "assessment_quality_of_life_instrument_known": (
        lambda: make.make_assessment(make.make_patient()),
        {"quality_of_life_instrument": "own", "quality_of_life_score": 5},
    ),
    "assessment_quality_of_life_score_range": (
        lambda: make.make_assessment(make.make_patient()),
        {"quality_of_life_instrument": "mlhfq", "quality_of_life_score": 106},
    ),
    "assessment_life_score_in_scale": (
        lambda: make.make_assessment(make.make_patient()),
        {"quality_of_life_instrument": "kccq", "quality_of_life_score": 101},
    ),
    "assessment_life_score_has_instrument": (
        lambda: make.make_assessment(make.make_patient()),
        {"quality_of_life_score": 50},
    ),
    "assessment_global_assessment_known": (
        lambda: make.make_assessment(make.make_patient()),
        {"global_assessment": "fine"},
    ),
    "assessment_previous_device_known": (
        lambda: make.make_assessment(make.make_patient()),
        {"previous_device": "pump"},
    ),
    "assessment_scar_method_known": (lambda: make.make_assessment(make.make_patient()), {"scar_method": "eye"}),
    "assessment_diastolic_mmhg_below_systolic_mmhg": (
        lambda: make.make_assessment(make.make_patient()),
        {"systolic_mmhg": 100, "diastolic_mmhg": 100},
    ),
    "adverseevent_treatment_known": (lambda: make.make_adverse_event(make.make_patient()), {"treatment": "luck"}),
    "adverseevent_ended_on_after_occurred_on": (
        lambda: make.make_adverse_event(make.make_patient()),
        {"ended_on": _BEFORE},
    ),
    "device_explant_reason_known": (
        lambda: make.make_device(make.make_patient(), explanted_on=dt.date(2025, 1, 1)),
        {"explant_reason": "age"},
    ),
    "device_reason_needs_day": (lambda: make.make_device(make.make_patient()), {"explant_reason": "battery"}),
    "patient_death_cause_known": (make.make_patient, {"death_cause": "age"}),
    "patient_follow_up_ended_because_known": (
        make.make_patient,
        {"follow_up_ended_on": _BEFORE, "follow_up_ended_because": "tired"},
    ),
    "patient_follow_up_ended_on_with_follow_up_ended_because": (make.make_patient, {"follow_up_ended_on": _BEFORE}),
    "dataquery_state_known": (make_query, {"state": "lost"}),
    "queryturn_kind_known": (make_turn, {"kind": "shouted"}),
    "queryturn_says_something": (make_turn, {"text": ""}),
    "tableimport_state_known": (make_import, {"state": "lost"}),
    "importrun_state_known": (make_import_run, {"state": "lost"}),
    "importrun_task_known": (make_import_run, {"task": "sort"}),
    "importrun_progress_percent_range": (make_import_run, {"progress_percent": 101}),
    "importrun_running_is_claimed": (make_import_run, {"state": "running"}),
    "importpiece_of_known": (make_import_piece, {"of": "page"}),
    "centre_locks_in_time": (make.make_centre, {"idle_lock_min": 241}),
    "merge_of_two": (make_merge, {"merged": F("kept")}),
    "merge_undone_by_with_undone_at": (make_merge, {"undone_at": make.START}),
    "plannedvisit_has_label": (lambda: make.make_planned_visit(make.make_centre()), {"label": ""}),
} | {
    f"{table}_{field}_range": (maker, {field: low - 1 if low >= 1 else high + 1})
    for table, maker, ranges in (
        ("assessment", lambda: make.make_assessment(make.make_patient()), RANGES),
        ("devicecheck", lambda: make.make_device_check(make.make_patient()), CHECK_RANGES),
        ("plannedvisit", lambda: make.make_planned_visit(make.make_centre()), VISIT_RANGES),
    )
    for field, (low, high) in ranges.items()
}


def test_every_check_of_the_registry_has_a_case():
    checks = {
        constraint.name
        for model in apps.get_app_config("registry").get_models()
        for constraint in model._meta.constraints
        if isinstance(constraint, CheckConstraint)
    }

    assert set(CASES) == checks


@pytest.mark.parametrize("name", CASES)
def test_the_database_refuses_what_breaks_a_check(name):
    make_row, broken = CASES[name]
    row = make_row()

    with pytest.raises(IntegrityError) as refused, transaction.atomic():
        type(row).objects.filter(pk=row.pk).update(**broken)

    assert name in str(refused.value)


@pytest.mark.parametrize("field", RANGES)
@pytest.mark.parametrize("end", [0, 1])
def test_the_ends_of_a_range_belong_to_it(field, end):
    row = make.make_assessment(make.make_patient())

    Assessment.objects.filter(pk=row.pk).update(**{field: RANGES[field][end]})
    if end:
        with pytest.raises(IntegrityError), transaction.atomic():
            Assessment.objects.filter(pk=row.pk).update(**{field: RANGES[field][end] + 1})

    row.refresh_from_db()
    assert getattr(row, field) == RANGES[field][end]


def test_missing_is_allowed_where_a_range_is():
    row = make.make_assessment(make.make_patient(), lvesv_ml=150)

    Assessment.objects.filter(pk=row.pk).update(**dict.fromkeys(RANGES))

    row.refresh_from_db()
    assert row.lvesv_ml is None


def copy_of(row, **values):
    row.pk = new_key()
    for name, value in values.items():
        setattr(row, name, value)
    return row


@pytest.mark.parametrize(
    "twin",
    [
        lambda: copy_of(make.make_centre(), name="Another"),
        lambda: copy_of(make.make_patient()),
        lambda: copy_of(make.make_consent(make.make_patient())),
        lambda: copy_of(Member.objects.get(user=make.make_user(Role.PHYSICIAN))),
    ],
    ids=["centre code", "patient code in a centre", "consent on a day", "role of a person in a centre"],
)
def test_the_database_refuses_twins(twin):
    row = twin()
    with pytest.raises(IntegrityError), transaction.atomic():
        type(row).objects.bulk_create([row])


def test_the_same_code_in_two_centres_is_no_twin():
    one, other = make.make_patient(), make.make_patient()

    assert one.code == other.code
    assert one.centre != other.centre


@pytest.mark.parametrize("model", [Assessment, AdverseEvent, Consent, Device])
def test_a_record_without_a_patient_is_refused(model):
    maker = {
        Assessment: make.make_assessment,
        AdverseEvent: make.make_adverse_event,
        Consent: make.make_consent,
        Device: make.make_device,
    }[model]
    row = maker(make.make_patient())
    with pytest.raises(IntegrityError), transaction.atomic():
        model.objects.filter(pk=row.pk).update(patient_id=None)


def test_a_centre_with_patients_is_not_deleted():
    patient = make.make_patient()
    with pytest.raises(ProtectedError):
        patient.centre.delete()
    assert Patient.objects.filter(pk=patient.pk).exists()
