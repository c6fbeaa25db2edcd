"""De-identified exports against the published rules.

HIPAA Safe Harbor, 45 CFR 164.514(b)(2)(i), read: (A) names, (B) geography below the state, (C) dates except the year
and ages over 89, (H) medical record numbers, (M) device identifiers and serial numbers, (R) any other unique number,
characteristic or code. The date shift (uniform within a year, never 0, one for a patient) is from memory: common
practice, reference list section 8.
"""

import collections
import csv
import datetime as dt
import random
import re
import uuid
from pathlib import Path

import pytest
from django.apps import apps

from analytics.cohort import columns
from analytics.cohort.catalogue import TABLES
from analytics.cohort.deidentify import Deidentifier, age_told
from analytics.services.cohort_export import export_cohort
from procedures.models import LogEntry
from procedures.services.decisions import record_decision
from procedures.services.responses import refresh_responses
from procedures.services.sessions import describe_session, log
from registry.models import Assessment, Device, Role, User
from registry.models.declared import Way, handling_of
from tests import factories as make

KEY = "an-invented-key-of-more-than-32-characters"
NAMES = {"family_name": "Zebrafield", "given_name": "Quintessa", "local_identifier": "MRN-998877"}
SERIAL, MODEL = "SN-4242-XYZ", "Demo model Quokka"
# A fixed key, so that the shift is the same in every run and no shifted day falls on another true day by chance.
PATIENT = uuid.UUID("0191b3a0-0000-7000-8000-000000000001")
WORDS = "Seen with her daughter Philippa"


@pytest.mark.parametrize(
    ("age", "last", "told"), [(89, 89, "89"), (90, 90, "90+"), (90, 95, "90+"), (103, 103, "90+"), (0, 3, "0")]
)
def test_ages_over_89_are_one_group(age, last, told):
    # (C): "all ages over 89 ... may be aggregated into a single category of age 90 or older"; test values of the
    # reference list, section 8: age 89 -> 89, 90 -> 90+.
    assert age_told(age, last) == told


def test_an_age_that_the_intervals_would_take_over_89_is_withheld():
    # (C): "all elements of dates (including year) indicative of such age".
    assert age_told(88, 90) == "withheld"
    assert age_told(88, 89) == "88"


def test_shifts_are_uniform_within_a_year_and_never_zero():
    hide = Deidentifier(KEY)
    keys = random.Random(1)  # noqa: S311 - reproducible test keys
    shifts = [hide.shift_days(uuid.UUID(int=keys.getrandbits(128))) for _ in range(73_000)]

    counts = collections.Counter(shifts)
    assert set(counts) == set(range(-365, 366)) - {0}
    # Chi-squared against 730 equally likely days: expectation 729, standard deviation sqrt(2 * 729) = 38.2.
    chi_squared = sum((counts[shift] - 100) ** 2 / 100 for shift in counts)
    assert 729 - 4 * 38.2 < chi_squared < 729 + 4 * 38.2


def test_intervals_stay_exact():
    hide, patient = Deidentifier(KEY), uuid.uuid4()
    first, second = dt.date(2024, 2, 28), dt.date(2024, 9, 1)

    assert hide.shifted(patient, second) - hide.shifted(patient, first) == second - first
    assert hide.shifted(patient, first) != first


def test_pseudonyms_hold_for_a_key_and_differ_between_keys_and_kinds():
    key, one, other = uuid.uuid4(), Deidentifier(KEY), Deidentifier(KEY[::-1])

    assert one.pseudonym("patient", key) == Deidentifier(KEY).pseudonym("patient", key)
    assert len({one.pseudonym("patient", key), one.pseudonym("session", key), other.pseudonym("patient", key)}) == 3
    assert one.fingerprint != other.fingerprint


def test_a_short_key_is_refused():
    with pytest.raises(ValueError, match="32 characters"):
        Deidentifier("short")


def sources():
    """Every field that a column of the export says it was made from."""
    told = [source for table in TABLES for column in table.columns for source in column.source.split(",")]
    return {source.strip().removeprefix("keyed hash of ") for source in told}


def test_what_may_leave_does_and_what_is_withheld_does_not():
    """The fields that models declare for an export are its columns, and no others are."""
    missing, leaking = [], []
    for app in ("registry", "procedures", "analytics"):
        for model in apps.get_app_config(app).get_models():
            for name, stated in handling_of(model).items():
                exported = f"{model._meta.label_lower}.{name}" in sources()
                if stated.way in {Way.AS_IS, Way.SHIFTED, Way.SINCE_START, Way.DERIVED} and not exported:
                    missing.append(f"{model._meta.label_lower}.{name}")
                if stated.way is Way.WITHHELD and exported:
                    leaking.append(f"{model._meta.label_lower}.{name}")
    assert missing == []
    assert leaking == []


def test_a_column_against_the_declaration_is_refused():
    with pytest.raises(ValueError, match=r"registry\.device\.model_name is not declared for an export as it is"):
        columns.plain(Device, "model_name")
    with pytest.raises(ValueError, match=r"registry\.assessment\.lvef_percent is not declared for an export as a day"):
        columns.shifted_day(Assessment, "lvef_percent", "")
    with pytest.raises(ValueError, match=r"procedures\.logentry\.occurred_at is not declared for an export as seconds"):
        columns.since_start(LogEntry, "occurred_at", "", "")


@pytest.fixture
def exported(db, tmp_path) -> tuple[Path, list[str]]:
    """Export one patient full of identifiers; return the folder and every text that must not be in it."""
    centre = make.make_centre(code="hospital-code", name="Saint Invented Hospital")
    physician = make.make_user(Role.PHYSICIAN, centre)
    User.objects.filter(pk=physician.pk).update(username="dr.operator", full_name="Operator Fullname")
    physician.refresh_from_db()
    patient = make.make_patient(centre, birth_date=dt.date(1951, 7, 23), key=PATIENT, **NAMES)
    make.make_consent(patient)
    make.make_device(patient, model_name=MODEL, serial_number=SERIAL)
    make.make_adverse_event(patient, description=WORDS)
    make.make_assessment(patient, lvesv_ml=200, lvedv_ml=260)
    make.make_assessment(patient, kind="follow_up", assessed_on=dt.date(2024, 9, 3), lvesv_ml=151)
    session = make.make_session(patient, operator=physician, notes=WORDS, outcome="lv_lead_implanted")
    log(by=physician, session=session, kind="note", text=WORDS)
    tributary = make.make_tributary(session, notes=WORDS)
    site = make.make_site(tributary, label="Labelofsite", cathode="Cathodename", anode="Anodename", notes=WORDS)
    make.make_measurement(site, qrs_notes=WORDS)
    for number, (where, mean) in enumerate([(None, 900), (site, 1000), (None, 905)]):
        make.enter(make.make_epoch(session, where, start_s=60 * number), mean=mean)
    make.make_epoch(session, None, start_s=600, excluded_reason=WORDS)
    refresh_responses(session.pk)
    record_decision(by=physician, session=session, site=site, reason=WORDS, metric="dpdt_max_mmhg_per_s")
    describe_session(by=physician, session=session, ended_at=session.started_at + dt.timedelta(hours=2))
    folder = tmp_path / "cohort"
    export_cohort(by=make.make_user(Role.RESEARCHER, centre), centre=centre, out=folder, key=KEY)
    never = [*NAMES.values(), SERIAL, MODEL, "Quokka", WORDS, "Philippa", "Labelofsite", "Cathodename", "Anodename"]
    never += ["1951-07-23", "hospital-code", "Saint Invented", "dr.operator", "Operator Fullname", KEY]
    never += [patient.code, session.code, session.started_at.date().isoformat(), "2024-02-11", "2024-09-03"]
    records = [patient, session, site, tributary, physician, centre, *session.epochs.all(), *patient.devices.all()]
    never += [form for record in records for form in (str(record.pk), record.pk.hex)]
    return folder, never


def test_no_identifier_of_the_patient_is_anywhere_in_the_export(exported):
    folder, never = exported
    found = [
        (path.name, text)
        for path in folder.iterdir()
        for text in never
        if text.lower() in path.read_text(encoding="utf-8").lower()
    ]

    assert found == []
    words = {word for path in folder.iterdir() for word in re.split(r"[^0-9A-Za-z]+", path.read_text("utf-8"))}
    assert "1951" not in words  # as a word: a hash may hold these digits
    assert all(text.lower() not in path.name for path in folder.iterdir() for text in never)


def test_what_is_worth_exporting_is_there_all_the_same(exported):
    folder, _ = exported

    def rows(name):
        with (folder / name).open(encoding="utf-8") as stream:
            return list(csv.DictReader(stream))

    (patient,), (session,), (site,) = rows("patients.csv"), rows("sessions.csv"), rows("sites.csv")
    assert patient["age_at_first_session"] == "72"
    assert session["patient"] == patient["patient"]
    assert (session["duration_min"], site["session"]) == ("120.0", session["session"])
    assert [float(one["lvesv_ml"]) for one in rows("assessments.csv")] == [200, 151]
    assert float(rows("lvesv_responses.csv")[0]["lvesv_change_percent"]) == pytest.approx(-24.5)
    assert [one["site"] for one in rows("epochs.csv")] == ["", site["site"], "", ""]
    assert [one["excluded"] for one in rows("epochs.csv")] == ["false", "false", "false", "true"]
    assert rows("decisions.csv")[0]["was_leading"] == "true"
    assert float(rows("acute_responses.csv")[0]["change_percent"]) == pytest.approx(10.8, abs=0.5)
    days = [dt.date.fromisoformat(one["assessed_on"]) for one in rows("assessments.csv")]
    assert (days[1] - days[0]).days == (dt.date(2024, 9, 3) - (make.DAY - dt.timedelta(days=20))).days
    shift = dt.date.fromisoformat(session["session_on"]) - make.DAY
    assert days[1] - dt.date(2024, 9, 3) == shift
    assert 1 <= abs(shift.days) <= 365
