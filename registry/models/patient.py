"""The patient as a clinical record, and apart from it the identifiers, encrypted."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.constraints import in_order, one_of
from registry.models.declared import LINK, PLACE, as_is, declare, derived, identifies, pseudonym, shifted, withheld
from registry.models.encrypted import EncryptedTextField
from registry.models.people import Centre


class Sex(models.TextChoices):
    """Administrative sex, as the guideline criteria that use it mean it."""

    FEMALE = "female", "Female"
    MALE = "male", "Male"
    UNKNOWN = "unknown", "Not known"


class Aetiology(models.TextChoices):
    """Cause of the heart failure."""

    ISCHAEMIC = "ischaemic", "Ischaemic"
    NON_ISCHAEMIC = "non_ischaemic", "Non-ischaemic"
    UNKNOWN = "unknown", "Not known"


class Patient(Record):
    """A treated person, known here by a code only."""

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="patients")
    code = models.CharField(max_length=20)
    sex = models.CharField(max_length=10, choices=Sex, default=Sex.UNKNOWN)
    aetiology = models.CharField(max_length=20, choices=Aetiology, default=Aetiology.UNKNOWN)
    died_on = models.DateField(null=True, blank=True)

    handling = declare(
        as_is("sex aetiology"),
        shifted("died_on"),
        identifies("code"),
        withheld("centre", PLACE),
    )

    class Meta:
        ordering = ("code",)
        constraints = [
            models.UniqueConstraint(fields=("centre", "code"), name="patient_code_once_per_centre"),
            one_of("patient", "sex", Sex.values),
            one_of("patient", "aetiology", Aetiology.values),
        ]

    def __str__(self) -> str:
        return self.code


class PatientIdentity(models.Model):
    """Who the code stands for. Every column that names a person is ciphertext."""

    patient = models.OneToOneField(Patient, models.CASCADE, primary_key=True, related_name="identity")
    family_name = EncryptedTextField()
    given_name = EncryptedTextField()
    birth_date = EncryptedTextField(help_text="ISO date")
    local_identifier = EncryptedTextField()
    # A keyed hash: the same person can be found again without anything readable in the table.
    local_identifier_digest = models.CharField(max_length=64, db_index=True)

    handling = declare(
        pseudonym("patient"),
        identifies("family_name given_name local_identifier local_identifier_digest"),
        derived("birth_date", "age in completed years", identifies=True),
    )

    def __str__(self) -> str:
        return f"identity of {self.patient_id}"


class ConsentScope(models.TextChoices):
    """What a patient agreed to."""

    REGISTRY = "registry", "Registry"
    RESEARCH = "research", "Research"


class Consent(Record):
    """A consent with its date; withdrawing it keeps the row."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="consents")
    scope = models.CharField(max_length=10, choices=ConsentScope)
    given_on = models.DateField()
    withdrawn_on = models.DateField(null=True, blank=True)

    handling = declare(
        withheld("patient scope given_on withdrawn_on", LINK),
    )

    class Meta:
        ordering = ("given_on",)
        constraints = [
            one_of("consent", "scope", ConsentScope.values),
            in_order("consent", "given_on", "withdrawn_on"),
            models.UniqueConstraint(fields=("patient", "scope", "given_on"), name="consent_once_per_day"),
        ]

    def __str__(self) -> str:
        return f"{self.get_scope_display()} {self.given_on}"
