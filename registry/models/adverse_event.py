"""Adverse events of a patient."""

from __future__ import annotations

from django.db import models

from registry.days import in_words
from registry.models.base import Record
from registry.models.constraints import in_order, one_of
from registry.models.declared import FREE_TEXT, as_is, declare, pseudonym, shifted, withheld
from registry.models.patient import Patient


class EventKind(models.TextChoices):
    """The kinds that implant cohorts report."""

    CS_DISSECTION = "cs_dissection", "Coronary-sinus dissection"
    CS_PERFORATION = "cs_perforation", "Coronary-sinus perforation"
    TAMPONADE = "tamponade", "Tamponade"
    PNEUMOTHORAX = "pneumothorax", "Pneumothorax"
    HAEMATOMA = "haematoma", "Haematoma"
    INFECTION = "infection", "Infection"
    LEAD_DISLODGEMENT = "lead_dislodgement", "Lead dislodgement"
    PHRENIC_STIMULATION = "phrenic_stimulation", "Phrenic stimulation"
    CONTRAST_NEPHROPATHY = "contrast_nephropathy", "Kidney injury after contrast"
    HEART_FAILURE_ADMISSION = "heart_failure_admission", "Admission for heart failure"
    OTHER_ADMISSION = "other_admission", "Other admission to hospital"
    LEAD_FAILURE = "lead_failure", "Lead failure"
    VENTRICULAR_ARRHYTHMIA = "ventricular_arrhythmia", "Ventricular arrhythmia"
    INAPPROPRIATE_SHOCK = "inappropriate_shock", "Inappropriate shock"
    REINTERVENTION = "reintervention", "Re-intervention"
    EXTRACTION = "extraction", "Lead extraction"
    THERAPY_STOPPED = "therapy_stopped", "Resynchronisation stopped"
    DEATH = "death", "Death"
    OTHER = "other", "Other"


class Severity(models.TextChoices):
    """How much it mattered."""

    MINOR = "minor", "Minor"
    MAJOR = "major", "Major"
    FATAL = "fatal", "Fatal"


class Relation(models.TextChoices):
    """Whether it came from the procedure."""

    RELATED = "related", "Related to the procedure"
    POSSIBLE = "possible", "Possibly related"
    UNRELATED = "unrelated", "Not related"
    UNKNOWN = "unknown", "Not known"


class Treatment(models.TextChoices):
    """What was done about it; the most that was needed."""

    NONE = "none", "None, observation only"
    PROGRAMMING = "programming", "Programming"
    MEDICINES = "medicines", "Medicines"
    DRAINAGE = "drainage", "Drainage or puncture"
    OPERATION = "operation", "Operation"
    EXTRACTION = "extraction", "Removal of lead or system"
    OTHER = "other", "Other"
    UNKNOWN = "unknown", "Not known"


class AdverseEvent(Record):
    """Something that went wrong, with its date, severity and relation to the procedure."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="adverse_events")
    kind = models.CharField(max_length=30, choices=EventKind)
    occurred_on = models.DateField()
    ended_on = models.DateField(null=True, blank=True)
    severity = models.CharField(max_length=10, choices=Severity)
    relation = models.CharField(max_length=10, choices=Relation, default=Relation.UNKNOWN)
    treatment = models.CharField(max_length=15, choices=Treatment, default=Treatment.UNKNOWN)
    description = models.TextField(blank=True)

    handling = declare(
        pseudonym("patient"),
        as_is("kind severity relation treatment"),
        shifted("occurred_on ended_on"),
        withheld("description", FREE_TEXT),
    )

    class Meta:
        ordering = ("occurred_on", "id")
        indexes = [models.Index(fields=("patient", "occurred_on"))]
        constraints = [
            one_of("adverseevent", "kind", EventKind.values),
            one_of("adverseevent", "severity", Severity.values),
            one_of("adverseevent", "relation", Relation.values),
            one_of("adverseevent", "treatment", Treatment.values),
            in_order("adverseevent", "occurred_on", "ended_on"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {in_words(self.occurred_on)}"
