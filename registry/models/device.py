"""Implanted devices and leads of a patient."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.constraints import in_order, one_of, one_of_or_none
from registry.models.declared import FREE_TEXT, as_is, declare, identifies, pseudonym, shifted, withheld
from registry.models.encrypted import EncryptedTextField
from registry.models.patient import Patient


class DeviceKind(models.TextChoices):
    """What the part is."""

    GENERATOR = "generator", "Generator"
    LEAD = "lead", "Lead"


class Chamber(models.TextChoices):
    """Where a lead lies."""

    RA = "ra", "Right atrium"
    RV = "rv", "Right ventricle"
    LV = "lv", "Left ventricle"


class ExplantReason(models.TextChoices):
    """Why a part left service; ``FAILURES`` says which count as failure of the part."""

    BATTERY = "battery", "Battery depleted"
    FAILURE = "failure", "Part failed"
    INFECTION = "infection", "Infection"
    DISLODGEMENT = "dislodgement", "Dislodgement or poor position"
    UPGRADE = "upgrade", "Upgrade or change of system"
    RECALL = "recall", "Recall"
    OTHER = "other", "Other"
    UNKNOWN = "unknown", "Not known"


FAILURES = {
    DeviceKind.GENERATOR: (ExplantReason.BATTERY, ExplantReason.FAILURE),
    DeviceKind.LEAD: (ExplantReason.FAILURE,),
}


class Device(Record):
    """A generator or a lead. The serial number names a person, so it is encrypted."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="devices")
    kind = models.CharField(max_length=10, choices=DeviceKind)
    chamber = models.CharField(max_length=2, choices=Chamber, null=True, blank=True)  # noqa: DJ001 - a generator has none
    manufacturer = models.CharField(max_length=80, blank=True)
    model_name = models.CharField(max_length=80)
    serial_number = EncryptedTextField(null=True, blank=True)
    # As scanned: it holds the serial number, so it is encrypted too.
    udi = EncryptedTextField("UDI as scanned", null=True, blank=True)
    implanted_on = models.DateField()
    explanted_on = models.DateField("taken out of service on", null=True, blank=True)
    explant_reason = models.CharField(max_length=15, choices=ExplantReason, null=True, blank=True)  # noqa: DJ001 - none in service
    # A capped lead is out of service and still in the body.
    left_in_place = models.BooleanField(default=False)

    handling = declare(
        pseudonym("patient"),
        as_is("kind chamber explant_reason left_in_place"),
        shifted("implanted_on explanted_on"),
        withheld("manufacturer model_name", FREE_TEXT),
        identifies("serial_number udi", "device identifier"),
    )

    class Meta:
        ordering = ("implanted_on", "id")
        indexes = [models.Index(fields=("model_name",))]
        constraints = [
            one_of("device", "kind", DeviceKind.values),
            in_order("device", "implanted_on", "explanted_on"),
            one_of_or_none("device", "explant_reason", ExplantReason.values),
            models.CheckConstraint(
                condition=models.Q(explanted_on__isnull=False)
                | models.Q(explant_reason__isnull=True, left_in_place=False),
                name="device_reason_needs_day",
                violation_error_message="Enter the date the device or lead was taken out of service.",
                violation_error_code="field:explanted_on",
            ),
            models.CheckConstraint(
                condition=models.Q(kind=DeviceKind.GENERATOR, chamber__isnull=True)
                | models.Q(kind=DeviceKind.LEAD, chamber__isnull=False, chamber__in=Chamber.values),
                name="device_lead_has_chamber",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.model_name}"
