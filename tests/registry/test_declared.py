"""Every field of every model of ours says what it may be used for."""

import re

import pytest
from django.apps import apps
from django.conf import settings
from django.db import models

from registry.models import Assessment, PatientIdentity
from registry.models.declared import STAFF, Way, as_is, declare, handling_of, undeclared, withheld
from registry.models.encrypted import EncryptedTextField

OURS = [
    model
    for config in apps.get_app_configs()
    if str(config.path).startswith(str(settings.BASE_DIR)) and "site-packages" not in str(config.path)
    for model in config.get_models()
]


def test_every_field_of_every_model_is_declared():
    assert {model._meta.app_label for model in OURS} >= {"registry", "procedures", "analytics"}
    assert [fault for model in OURS for fault in undeclared(model)] == []


def test_several_records_have_an_english_name():
    """It stands on the page of an erasure, in a patient's copy, and as the name of exported tables."""
    names = [str(model._meta.verbose_name_plural) for model in OURS]
    assert [name for name in names if re.search("ss$|[^aeiou]ys$", name)] == []


def test_an_undeclared_field_and_a_declared_ghost_are_named(monkeypatch):
    monkeypatch.setattr(Assessment, "handling", {**Assessment.handling, "ghost": Assessment.handling["kind"]})
    monkeypatch.delitem(Assessment.handling, "lvef_percent")

    assert undeclared(Assessment) == [
        "registry.assessment.lvef_percent is not declared",
        "registry.assessment declares 'ghost', which is not a field",
    ]


def test_what_is_encrypted_identifies_a_person_and_stays():
    encrypted = [
        handling_of(model)[field.name]
        for model in OURS
        for field in model._meta.concrete_fields
        if isinstance(field, EncryptedTextField)
    ]

    assert len(encrypted) >= 5
    assert all(stated.identifies and stated.way in {Way.WITHHELD, Way.DERIVED} for stated in encrypted)


def test_free_text_never_leaves_as_it_is():
    """Text without a list of allowed words may hold a name; the keys of metrics are words of ours."""
    ours = {"key", "metric", "algorithm_version"}
    leaving = [
        f"{model._meta.label_lower}.{field.name}"
        for model in OURS
        for field in model._meta.concrete_fields
        if isinstance(field, models.CharField | models.TextField)
        and not field.choices
        and field.name not in ours
        and handling_of(model)[field.name].way is Way.AS_IS
    ]

    assert leaving == []


def test_days_and_moments_never_leave_as_they_are():
    leaving = [
        f"{model._meta.label_lower}.{field.name}"
        for model in OURS
        for field in model._meta.concrete_fields
        if isinstance(field, models.DateField) and handling_of(model)[field.name].way is Way.AS_IS
    ]

    assert leaving == []


def test_links_to_staff_are_withheld():
    for model in OURS:
        for field in model._meta.concrete_fields:
            if field.is_relation and field.related_model._meta.label_lower == "registry.user":
                assert handling_of(model)[field.name].way is Way.WITHHELD, f"{model._meta.label_lower}.{field.name}"


def test_what_is_withheld_has_a_reason():
    for model in OURS:
        for name, stated in handling_of(model).items():
            assert stated.reason or stated.way not in {Way.WITHHELD, Way.DERIVED}, f"{model._meta.label_lower}.{name}"


def test_a_field_is_declared_once():
    with pytest.raises(ValueError, match="Declared twice: kind"):
        declare(as_is("kind"), withheld("kind", STAFF))


def test_a_subclass_adds_to_what_it_inherits():
    assert handling_of(PatientIdentity)["birth_date"].reason == "age in completed years"
    assert handling_of(Assessment)["id"].way is Way.PSEUDONYM
