"""The patient as a clinical record, and apart from it the identifiers, encrypted."""

from __future__ import annotations

from django.db import models

from registry.days import in_words
from registry.models.base import Record
from registry.models.constraints import both_or_neither, in_order, one_of, one_of_or_none
from registry.models.declared import (
    LINK,
    PLACE,
    UPKEEP,
    as_is,
    declare,
    derived,
    identifies,
    pseudonym,
    shifted,
    withheld,
)
from registry.models.encrypted import EncryptedTextField
from registry.models.people import Centre
from registry.models.trailed import loose


class Sex(models.TextChoices):
    """Administrative sex, as the guideline criteria that use it mean it."""

    FEMALE = "female", "Female"
    MALE = "male", "Male"
    UNKNOWN = "unknown", "Not known"


class Aetiology(models.TextChoices):
    """Cause of heart failure."""

    ISCHAEMIC = "ischaemic", "Ischaemic"
    NON_ISCHAEMIC = "non_ischaemic", "Non-ischaemic"
    UNKNOWN = "unknown", "Not known"


class DeathCause(models.TextChoices):
    """What somebody died of, in the groups that outcome studies use."""

    HEART_FAILURE = "heart_failure", "Heart failure"
    SUDDEN = "sudden", "Sudden cardiac death"
    OTHER_CARDIOVASCULAR = "other_cardiovascular", "Other cardiovascular"
    NON_CARDIOVASCULAR = "non_cardiovascular", "Not cardiovascular"
    UNKNOWN = "unknown", "Not known"


class EndOfFollowUp(models.TextChoices):
    """Why a living patient is no longer followed here."""

    ELSEWHERE = "elsewhere", "Followed elsewhere"
    DECLINED = "declined", "Declined by the patient"
    TRANSPLANT = "transplant", "Transplant or assist device"
    LOST = "lost", "Lost to follow-up"
    OTHER = "other", "Other"


class Patient(Record):
    """A treated person, known here by a code only."""

    CODE_SERIES = r"P-"

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="patients")
    code = models.CharField(max_length=20)
    sex = models.CharField(max_length=10, choices=Sex, default=Sex.UNKNOWN)
    aetiology = models.CharField(max_length=20, choices=Aetiology, default=Aetiology.UNKNOWN)
    died_on = models.DateField(null=True, blank=True)
    death_cause = models.CharField(max_length=20, choices=DeathCause, default=DeathCause.UNKNOWN)
    follow_up_ended_on = models.DateField(null=True, blank=True)
    follow_up_ended_because = models.CharField(max_length=15, choices=EndOfFollowUp, null=True, blank=True)  # noqa: DJ001 - none while it goes on
    # Set when this code turned out to be another patient's second one; its records moved there.
    merged_into = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="merged_here")

    recorded_twice = (("code", "Another patient of this centre already has this code. Choose a different code."),)

    handling = declare(
        as_is("sex aetiology death_cause follow_up_ended_because"),
        shifted("died_on follow_up_ended_on"),
        identifies("code"),
        withheld("centre", PLACE),
        withheld("merged_into", LINK),
    )

    class Meta:
        ordering = ("code",)
        constraints = [
            models.UniqueConstraint(fields=("centre", "code"), name="patient_code_once_per_centre"),
            one_of("patient", "sex", Sex.values),
            one_of("patient", "aetiology", Aetiology.values),
            one_of("patient", "death_cause", DeathCause.values),
            one_of_or_none("patient", "follow_up_ended_because", EndOfFollowUp.values),
            both_or_neither("patient", "follow_up_ended_on", "follow_up_ended_because"),
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

    trail = loose("local_identifier_digest", "hashed again when the keys are rotated")

    handling = declare(
        pseudonym("patient"),
        identifies("family_name given_name local_identifier local_identifier_digest"),
        derived("birth_date", "age in completed years", identifies=True),
    )

    class Meta:
        verbose_name_plural = "identifiers of patients"

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
    # Which text was signed, such as "information sheet of March 2025, version 3".
    document_version = models.CharField(max_length=60, blank=True)
    withdrawn_on = models.DateField(null=True, blank=True)

    recorded_twice = (
        ("given_on", "This consent is already recorded with the same date. Correct the existing consent instead."),
    )

    handling = declare(
        withheld("patient scope given_on withdrawn_on", LINK),
        withheld("document_version", UPKEEP),
    )

    class Meta:
        ordering = ("given_on",)
        constraints = [
            one_of("consent", "scope", ConsentScope.values),
            in_order("consent", "given_on", "withdrawn_on"),
            models.UniqueConstraint(fields=("patient", "scope", "given_on"), name="consent_once_per_day"),
        ]

    def __str__(self) -> str:
        return f"{self.get_scope_display()} {in_words(self.given_on)}"
