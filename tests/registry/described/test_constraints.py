"""What is judged in memory is what the database judges, for every rule of every model that a table can fill."""

from __future__ import annotations

import datetime as dt
import random
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import models

from procedures.models import Session
from registry.clinical.units import PEPTIDE_UNITS, creatinine_umol_per_l, peptide_pg_per_ml
from registry.described.constraints import judge_of
from registry.described.units import named_in, units_of
from registry.models import AdverseEvent, Assessment, Consent, Device, DeviceCheck, Patient
from registry.models.base import new_key

pytestmark = pytest.mark.django_db
MODELS = (Patient, Assessment, AdverseEvent, Consent, Device, DeviceCheck, Session)
RULES = [
    (model, rule) for model in MODELS for rule in model._meta.constraints if isinstance(rule, models.CheckConstraint)
]


def some_value(field: models.Field, random: random.Random) -> Any:
    if field.null and random.random() < 0.35:
        return None
    if isinstance(field, models.BooleanField):
        return random.random() < 0.5
    if isinstance(field, models.FloatField | models.IntegerField):
        return random.choice([-5, 0, 1, 2, 3, 4, 5, 10, 20, 40, 60, 90, 120, 200, 320, 700, 1500, 3000, 250_000])
    if isinstance(field, models.DateTimeField):
        return dt.datetime(2024, 1, random.randint(1, 3), tzinfo=dt.UTC)
    if isinstance(field, models.DateField):
        return dt.date(2024, 1, random.randint(1, 3))
    if field.choices:
        return random.choice([*(key for key, _ in field.flatchoices), "none of them"])
    if field.is_relation:
        return new_key()
    return random.choice(["", "text"])


@pytest.mark.parametrize(("model", "rule"), RULES, ids=[rule.name for _, rule in RULES])
def test_memory_and_database_agree(model, rule):
    dice = random.Random(rule.name)  # noqa: S311 - values for a test
    said = []
    for _ in range(25):
        values = {
            field.attname: some_value(field, dice)
            for field in model._meta.concrete_fields
            if not isinstance(field, models.JSONField) and not field.primary_key
        }
        record = model(**values)
        try:
            rule.validate(model, record)
            stands = True
        except ValidationError:
            stands = False
        in_memory = judge_of(model, rule.condition)(record) is not False
        assert in_memory == stands, values
        said.append(stands)
    assert said


@pytest.mark.parametrize(("field", "assay"), [("bnp_pg_per_ml", "bnp"), ("nt_probnp_pg_per_ml", "nt_probnp")])
def test_a_column_may_be_in_every_unit_the_form_offers(field, assay):
    units = units_of(field, "pg/mL")
    assert {unit for unit, _ in PEPTIDE_UNITS} <= units.keys()
    assert units["pmol/L"] == peptide_pg_per_ml(1, "pmol/L", assay)
    assert units_of("creatinine_umol_per_l", "µmol/L") == {"µmol/L": 1.0, "mg/dL": creatinine_umol_per_l(1, "mg/dL")}
    assert named_in("BNP [pmol/L]", units) == "pmol/L"
