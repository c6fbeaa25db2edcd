"""The material for the report of a breach: everything in the window, nothing outside it, patients by code only."""

import datetime as dt
import io
import json

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from registry.models import Change, Look, Role
from registry.services.looks import record_look
from tests import factories as make

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)


@pytest.fixture
def lead():
    return make.make_user(Role.CLINICAL_LEAD, make.make_centre(code="north"))


@pytest.fixture
def patients(lead):
    centre = lead.memberships.get().centre
    return [make.make_patient(centre, by=lead, code=code, family_name="Zebrafield") for code in ("QX-1", "QX-2")]


def report(*words, start=None, end=None, as_json=True):
    now, out = timezone.now(), io.StringIO()
    window = ["--from", (start or now - HOUR).isoformat(), "--to", (end or now + HOUR).isoformat()]
    call_command("breach_report", *window, *words, *(["--json"] if as_json else []), stdout=out)
    return json.loads(out.getvalue()) if as_json else out.getvalue()


def test_it_counts_looks_changes_and_patients_by_account(lead, patients):
    make.make_assessment(patients[0], by=lead)
    for keys in ([patients[0].pk], [one.pk for one in patients]):
        record_look(by=lead, patients=keys, page="registry:patients")

    found = report()

    assert found["patients"] == {
        "count": 2,
        "codes": ["QX-1", "QX-2"],
        "erased_since": 0,
        "identifiers_seen": 2,
        "records_changed_or_copied": 2,
    }
    assert found["looks"] == [{"account": str(lead.pk), "page": "registry:patients", "looks": 2, "patients": 2}]
    assert found["accounts"][str(lead.pk)] == lead.username
    created = {row["record"]: row["links"] for row in found["changes"] if row["act"] == "created"}
    assert created["registry.patient"] == 2
    assert created["registry.assessment"] == 1
    assert sum(row["links"] for row in found["changes"]) == Change.objects.count()


def test_the_start_belongs_to_the_window_and_the_end_does_not(lead, patients):
    record_look(by=lead, patients=[patients[0].pk], page="registry:patient")
    at = Look.objects.get().at

    assert [row["looks"] for row in report(start=at)["looks"]] == [1]
    assert report(end=at)["looks"] == []
    assert report(start=at + HOUR, end=at + 2 * HOUR)["patients"]["count"] == 0


def test_one_centre_says_nothing_of_another(lead, patients):
    other = make.make_patient(make.make_centre(code="south"), code="SX-1")

    assert report("--centre", "north")["patients"]["codes"] == ["QX-1", "QX-2"]
    assert report("--centre", "south")["patients"]["codes"] == [other.code]


def test_names_are_not_in_it(lead, patients):
    record_look(by=lead, patients=[patients[0].pk], page="registry:patient")
    for text in (json.dumps(report()), report(as_json=False)):
        assert "Zebrafield" not in text
        assert "QX-1" in text


def test_the_log_gives_addresses_and_other_lines_are_passed_over(lead, tmp_path):
    inside, outside = timezone.now(), timezone.now() - 3 * HOUR
    about = {"logger": "tributary.access", "event": "log-in failed", "account": str(lead.pk), "address": "192.0.2.7"}
    lines = [{"time": inside.isoformat()} | about] * 2
    lines += [{"time": outside.isoformat()} | about, {"time": inside.isoformat(), "logger": "django"}]
    lines.append({"time": inside.isoformat(), "centre": "another"} | about)
    log = tmp_path / "log"
    log.write_text("\n".join(map(json.dumps, lines)) + '\n{"time": "20\nnoise\n[]\n')

    found = report("--log", str(log), "--centre", "north")["access"]

    row = {"account": str(lead.pk), "address": "192.0.2.7", "event": "log-in failed", "route": "unknown", "lines": 2}
    assert found == [row]
    assert f"{lead.username}, 192.0.2.7, log-in failed" in report("--log", str(log), as_json=False)


WRONG = {
    "no time": (["--from", "spring", "--to", "2026-01-01T00:00"], "'spring' is no time"),
    "no such day": (["--from", "2026-02-30T00:00", "--to", "2026-03-01T00:00"], "is no time"),
    "wrong way round": (["--from", "2026-02-01T00:00", "--to", "2026-01-01T00:00"], "ends before it begins"),
    "no centre": (["--from", "2026-01-01T00:00", "--to", "2026-02-01T00:00", "--centre", "x"], "no centre 'x'"),
    "no log": (["--from", "2026-01-01T00:00", "--to", "2026-02-01T00:00", "--log", "/nowhere/x"], "cannot be read"),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_options_are_said(case):
    words, said = WRONG[case]
    with pytest.raises(CommandError, match=said) as error:
        call_command("breach_report", *words)
    assert error.value.returncode == 2
