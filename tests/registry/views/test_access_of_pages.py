"""Every registry page under every role, from the own centre and from another."""

import pytest
from django.urls import reverse

from registry.models import Role
from registry.urls.patients import urlpatterns
from tests import factories as make

pytestmark = pytest.mark.django_db
BEDSIDE = {Role.LAB_STAFF, Role.PHYSICIAN, Role.CLINICAL_LEAD}


def addresses(patient):
    """Return the address of each page about a patient, by name and kind."""
    records = {
        "assessments": make.make_assessment(patient),
        "adverse-events": make.make_adverse_event(patient),
        "consents": make.make_consent(patient),
        "device-checks": make.make_device_check(patient),
        "devices": make.make_device(patient),
    }
    found = {"patient": reverse("registry:patient", args=[patient.pk])}
    found["patient_figure"] = reverse("registry:patient_figure", args=[patient.pk])
    found["death"] = reverse("registry:death", args=[patient.pk])
    found["details"] = reverse("registry:details", args=[patient.pk])
    found["identity"] = reverse("registry:identity", args=[patient.pk])
    for kind, record in records.items():
        about = {"patient_key": patient.pk, "kind": kind}
        found[f"new_record {kind}"] = reverse("registry:new_record", kwargs=about)
        found[f"record {kind}"] = reverse("registry:record", kwargs=about | {"key": record.pk})
    return found


def statuses(client, where):
    return {name: client.get(address).status_code for name, address in where.items()}


def test_every_page_of_the_registry_is_looked_at_here():
    names = {"patients", "new_patient", "patient", "patient_figure", "death", "details", "identity"}
    names |= {"record", "new_record", "follow_up", "schedule", "recall", "recall_csv", "survival", "survival_figure"}

    # tests/registry/identity/test_pages.py looks at these
    names |= {"changes", "duplicates", "merge", "undo_merge", "looks"}
    names.add("erase")  # tests/registry/views/test_erasure.py
    assert {pattern.name for pattern in urlpatterns} == names


@pytest.mark.parametrize("role", Role.values)
def test_pages_about_a_patient_of_the_own_centre(client, role):
    patient = make.make_patient()
    where = addresses(patient)
    client.force_login(make.make_user(role, patient.centre))

    assert statuses(client, where) == dict.fromkeys(where, 200 if role in BEDSIDE else 403)


@pytest.mark.parametrize("role", Role.values)
def test_a_patient_of_another_centre_is_not_found_rather_than_forbidden(client, role):
    where = addresses(make.make_patient())
    client.force_login(make.make_user(role))

    assert statuses(client, where) == dict.fromkeys(where, 404)


@pytest.mark.parametrize("role", [*Role.values, None])
def test_list_and_registration(client, role):
    client.force_login(make.make_user(role))
    where = {name: reverse(f"registry:{name}") for name in ("patients", "new_patient")}

    assert statuses(client, where) == dict.fromkeys(where, 200 if role in BEDSIDE else 403)


def test_nobody_gets_in_without_logging_in(client):
    where = addresses(make.make_patient()) | {"patients": reverse("registry:patients")}

    assert statuses(client, where) == dict.fromkeys(where, 302)


def test_a_refusal_says_why(client):
    client.force_login(make.make_user(Role.RESEARCHER))

    html = client.get(reverse("registry:patients")).content.decode()

    assert "Your role cannot see patient identifiers." in html


def test_pages_about_persons_are_kept_out_of_caches(client):
    patient = make.make_patient()
    client.force_login(make.make_user(Role.PHYSICIAN, patient.centre))

    assert client.get(reverse("registry:patient", args=[patient.pk]))["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    ("page", "roles"),
    [
        ("follow_up", BEDSIDE),
        ("schedule", {Role.CLINICAL_LEAD}),
        ("recall", {Role.PHYSICIAN, Role.CLINICAL_LEAD}),
        ("recall_csv", {Role.PHYSICIAN, Role.CLINICAL_LEAD}),
        ("survival", {Role.CLINICAL_LEAD, Role.RESEARCHER}),
        ("survival_figure", {Role.CLINICAL_LEAD, Role.RESEARCHER}),
    ],
)
@pytest.mark.parametrize("role", [*Role.values, None])
def test_follow_up_and_parts(client, role, page, roles):
    centre = make.make_centre()
    client.force_login(make.make_user(role, centre))
    where = reverse(f"registry:{page}", args=[centre.code] if page == "schedule" else [])

    assert client.get(where).status_code == (200 if role in roles else 403)


def test_the_schedule_of_another_centre_is_not_found(client):
    other = make.make_centre()
    client.force_login(make.make_user(Role.CLINICAL_LEAD))

    assert client.get(reverse("registry:schedule", args=[other.code])).status_code == 404
