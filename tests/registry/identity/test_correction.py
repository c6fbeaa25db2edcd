"""Correcting name, birth date and hospital number: found by the new, told in the trail without either."""

import datetime as dt
import re

import pytest
from django.urls import reverse

from registry.errors import AccessDenied, RuleBroken
from registry.models import Change, PatientIdentity, Role
from registry.selectors.changes import rows
from registry.selectors.patients import search_patients
from registry.services.identity import correct_identity, fingerprint
from registry.services.merging import merge_patients
from registry.trail.verify import faults
from tests import factories as make
from tests.revealing import revealed

pytestmark = pytest.mark.django_db


@pytest.fixture
def patient(centre):
    return make.make_patient(centre, family_name="Zebrafeild", given_name="Annabella", local_identifier="H-1")


def corrected(by, patient, *, reason="typing", seen=None, **values):
    identity = PatientIdentity.objects.get(patient=patient)
    names = ("family_name", "given_name", "local_identifier")
    filled = {name: getattr(identity, name) for name in names} | {
        "birth_date": dt.date.fromisoformat(identity.birth_date)
    }
    return correct_identity(
        by=by, patient=patient, seen=seen or fingerprint(identity), reason=reason, **filled | values
    )


def test_the_patient_is_found_by_the_new_number_and_not_by_the_old(lead, patient):
    corrected(lead, patient, local_identifier="H-2", reason="number")
    assert search_patients(lead, "H-2").get() == patient
    assert not search_patients(lead, "H-1").exists()


def test_the_trail_says_who_why_and_which_and_holds_no_name(lead, patient):
    corrected(lead, patient, family_name="Zebrafield")
    change = Change.objects.order_by("sequence").last()
    assert (change.actor_id, change.action, change.record_id) == (lead.pk, "changed", patient.pk)
    told = revealed(change)
    hidden = told["new"].pop("family_name")
    assert re.fullmatch(r"\(encrypted\) [0-9a-f]{64}", hidden)
    assert told == {"old": {"family_name": "(encrypted, before)"}, "new": {}, "reason": "Typing error at registration"}
    # A short value could be guessed from its hash: that stands only in what is sealed, and on no page.
    assert hidden not in change.values
    assert "Zebrafield" not in str(told)
    (shown,) = rows([change], "registry.patientidentity", patient.pk)
    assert [(one.old, one.new) for one in shown.fields] == [("(encrypted, before)", "(encrypted)")]
    assert list(faults()) == []


def test_the_same_again_writes_nothing_and_an_overtaken_form_is_refused(lead, patient):
    seen = fingerprint(patient.identity)
    corrected(lead, patient, family_name="Zebrafield")
    links = Change.objects.count()
    corrected(lead, patient, family_name="Zebrafield", seen=seen)
    assert Change.objects.count() == links
    with pytest.raises(RuleBroken, match="Somebody else has corrected"):
        corrected(lead, patient, given_name="Anna", seen=seen)


def test_the_number_of_another_patient_and_a_merged_code_are_refused(lead, patient, centre):
    other = make.make_patient(centre, local_identifier="H-9")
    with pytest.raises(RuleBroken, match=f"already registered, as {other.code}"):
        corrected(lead, patient, local_identifier="H-9")
    merge_patients(by=lead, kept=patient, merged=other, reason="twice")
    other.refresh_from_db()
    with pytest.raises(RuleBroken, match=patient.code):
        corrected(lead, other, family_name="Other")


def test_a_researcher_corrects_nothing(centre, patient):
    with pytest.raises(AccessDenied):
        corrected(make.make_user(Role.RESEARCHER, centre), patient, family_name="Other")


def test_the_page_shows_what_is_stored_and_refuses_what_cannot_be(client, lead, patient):
    client.force_login(lead)
    address = reverse("registry:identity", args=[patient.pk])
    assert address in client.get(reverse("registry:patient", args=[patient.pk])).content.decode()
    form = client.get(address).context["form"]
    typed = {name: form.initial[name] for name in ("seen", "local_identifier", "given_name", "birth_date")}
    typed |= {"family_name": "Zebrafield"}

    unanswered = client.post(address, typed)
    assert unanswered.status_code == 422
    assert "Reason for the correction" in unanswered.content.decode()
    future = client.post(address, typed | {"reason": "typing", "birth_date": "2124-01-01"})
    assert future.status_code == 422
    assert client.post(address, typed | {"reason": "typing"}).status_code == 302
    assert PatientIdentity.objects.get(patient=patient).family_name == "Zebrafield"
