"""One implant procedure and the running notes of it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from registry.models import Centre, Patient, Record, User
from registry.models.constraints import both_or_neither, in_order, one_of, within
from registry.models.declared import (
    FREE_TEXT,
    PLACE,
    STAFF,
    UPKEEP,
    as_is,
    declare,
    derived,
    identifies,
    pseudonym,
    shifted,
    withheld,
)


class ProcedureKind(models.TextChoices):
    """What kind of implant it is."""

    DE_NOVO = "de_novo", "First implant"
    UPGRADE = "upgrade", "Upgrade"
    REVISION = "revision", "Revision"


class BaselinePacing(models.TextChoices):
    """The rhythm or pacing that sites are compared against."""

    INTRINSIC = "intrinsic", "Intrinsic conduction"
    RV_PACED = "rv_paced", "Right-ventricular pacing"
    ATRIAL_PACED = "atrial_paced", "Atrial pacing, intrinsic conduction"
    UNKNOWN = "unknown", "Not known"


class Outcome(models.TextChoices):
    """How it ended."""

    LV_LEAD_IMPLANTED = "lv_lead_implanted", "LV lead implanted"
    LV_LEAD_FAILED = "lv_lead_failed", "LV lead not implanted"
    ABANDONED = "abandoned", "Abandoned"
    UNKNOWN = "unknown", "Not yet recorded"


class Status(models.TextChoices):
    """Open for entries, or signed."""

    OPEN = "open", "Not signed"
    SIGNED = "signed", "Signed"


class Session(Record):
    """One implant procedure of one patient."""

    CODE_SERIES = r"S-[0-9]{4}-"

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="sessions")
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="sessions")
    code = models.CharField(max_length=20)
    procedure = models.CharField(max_length=10, choices=ProcedureKind, default=ProcedureKind.DE_NOVO)
    baseline_pacing = models.CharField(max_length=15, choices=BaselinePacing, default=BaselinePacing.UNKNOWN)
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    operator = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    outcome = models.CharField(max_length=20, choices=Outcome, default=Outcome.UNKNOWN)
    contrast_ml = models.FloatField("Contrast", null=True, blank=True)
    fluoroscopy_min = models.FloatField("Fluoroscopy time", null=True, blank=True)
    dose_area_product_gy_cm2 = models.FloatField("Dose-area product", null=True, blank=True)
    notes = models.TextField(blank=True)
    status = models.CharField(max_length=10, choices=Status, default=Status.OPEN)
    signed_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    signed_at = models.DateTimeField(null=True, blank=True)
    # What was signed, as it was; an amendment leaves it untouched.
    signed_content = models.JSONField(null=True, blank=True)

    recorded_twice = (("code", "Another session of this centre already has this code. Choose a different code."),)

    handling = declare(
        pseudonym("patient"),
        shifted("started_at"),
        derived("ended_at", "duration in minutes"),
        as_is("procedure baseline_pacing outcome contrast_ml fluoroscopy_min dose_area_product_gy_cm2 status"),
        identifies("code"),
        withheld("centre", PLACE),
        withheld("operator signed_by", STAFF),
        withheld("notes", FREE_TEXT),
        withheld("signed_at", UPKEEP),
        withheld("signed_content", "a copy of the session with codes and free text"),
    )

    class Meta:
        ordering = ("-started_at", "-id")
        indexes = [models.Index(fields=("centre", "-started_at"))]
        constraints = [
            models.UniqueConstraint(fields=("centre", "code"), name="session_code_once_per_centre"),
            one_of("session", "procedure", ProcedureKind.values),
            one_of("session", "baseline_pacing", BaselinePacing.values),
            one_of("session", "outcome", Outcome.values),
            in_order("session", "started_at", "ended_at"),
            both_or_neither("session", "signed_by", "signed_at"),
            within("session", "contrast_ml", 0, 1000),
            within("session", "fluoroscopy_min", 0, 600),
            within("session", "dose_area_product_gy_cm2", 0, 2000),
            models.CheckConstraint(
                condition=Q(status=Status.OPEN, signed_at__isnull=True)
                | Q(status=Status.SIGNED, signed_at__isnull=False),
                name="session_signed_has_signature",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Amendment(Record):
    """A change made after signing, with its reason."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="amendments")
    made_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    reason = models.TextField()
    summary = models.CharField(max_length=200)

    handling = declare(
        pseudonym("session"),
        withheld("made_by", STAFF),
        withheld("made_at", UPKEEP),
        withheld("reason summary", FREE_TEXT),
    )

    class Meta:
        ordering = ("made_at", "id")
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="amendment_has_reason")]

    def __str__(self) -> str:
        return self.summary


class EntryKind(models.TextChoices):
    """What may be logged with a time."""

    ACCESS = "access", "Access"
    CS_CANNULATED = "cs_cannulated", "Coronary sinus cannulated"
    VENOGRAM = "venogram", "Venogram"
    SITE_REACHED = "site_reached", "Site reached"
    RECORDING = "recording", "Recording started"
    TEST_STIMULATION = "test_stimulation", "Test stimulation"
    DECISION = "decision", "Decision"
    ACCESS_CLOSED = "access_closed", "Access closed"
    ADVERSE_EVENT = "adverse_event", "Adverse event"
    CONTRAST = "contrast", "Contrast"
    FLUOROSCOPY = "fluoroscopy", "Fluoroscopy reading"
    DRUG = "drug", "Drug"
    NOTE = "note", "Note"


class LogEntry(Record):
    """A timed note. ``occurred_at`` is the tablet's word, ``created_at`` the server's."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="log_entries")
    kind = models.CharField(max_length=20, choices=EntryKind)
    occurred_at = models.DateTimeField()
    # The time it was first logged with, once somebody has corrected it; the steps between are in the change trail.
    first_logged_at = models.DateTimeField(null=True, blank=True, editable=False)
    text = models.TextField(blank=True)
    author = models.ForeignKey(User, models.PROTECT, related_name="+")

    handling = declare(
        pseudonym("session"),
        withheld("kind occurred_at first_logged_at", UPKEEP),
        withheld("text", FREE_TEXT),
        withheld("author", STAFF),
    )

    class Meta:
        verbose_name_plural = "log entries"
        ordering = ("occurred_at", "id")
        constraints = [one_of("logentry", "kind", EntryKind.values)]

    def __str__(self) -> str:
        return f"{self.occurred_at:%H:%M} {self.get_kind_display()}"
