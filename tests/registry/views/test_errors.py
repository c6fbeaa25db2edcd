"""From services' errors to form messages and pages."""

import pytest
from django import forms
from django.http import Http404
from django.test import RequestFactory

from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.forms.rules import apply_rule
from registry.models import Patient
from registry.views.errors import ServiceErrorPages


class Typed(forms.Form):
    volume = forms.FloatField(label="Volume")


def answer(error):
    request = RequestFactory().get("/")
    request.user = type("Nobody", (), {"is_authenticated": False})()
    return ServiceErrorPages(lambda request: None).process_exception(request, error)


def test_messages_go_beside_their_fields_and_the_rest_above_the_form():
    form = Typed({"volume": "5"})

    apply_rule(form, RuleBroken("Refused.", fields={"volume": ["Too small."], "": ["A."], "elsewhere": ["B."]}))

    assert form.errors["volume"] == ["Too small."]
    assert form.non_field_errors() == ["A.", "B."]
    assert not form.is_valid()


def test_a_rule_about_no_field_is_said_above_the_form():
    form = Typed({"volume": "5"})

    apply_rule(form, RuleBroken("This session is already signed."))

    assert form.non_field_errors() == ["This session is already signed."]


def test_a_conflict_tells_what_is_stored_and_keeps_what_was_typed():
    form = Typed({"volume": "5"})

    apply_rule(form, Conflict("Changed.", yours={"volume": "5.0"}, stored={"volume": "7.0", "version": 2}))

    assert form.non_field_errors() == ["Changed. Saved now: Volume: 7.0."]
    assert form["volume"].value() == "5"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("error", "status"),
    [
        (AccessDenied("Not you."), 403),
        (RuleBroken("Not so."), 422),
        (Conflict("Not now.", yours={}, stored={}), 409),
    ],
)
def test_errors_of_services_become_pages(error, status):
    page = answer(error)

    assert page.status_code == status
    assert str(error) in page.content.decode()


def test_a_missing_object_is_not_found():
    with pytest.raises(Http404):
        answer(Patient.DoesNotExist("gone"))


def test_a_fault_of_ours_stays_one():
    assert answer(KeyError("bug")) is None
