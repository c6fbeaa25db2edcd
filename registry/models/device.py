"""Implanted devices and leads of a patient."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.constraints import in_order, one_of
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


class Device(Record):
    """A generator or a lead. The serial number names a person, so it is encrypted."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="devices")
    kind = models.CharField(max_length=10, choices=DeviceKind)
    chamber = models.CharField(max_length=2, choices=Chamber, null=True, blank=True)  # noqa: DJ001 - a generator has none
    model_name = models.CharField(max_length=80)
    serial_number = EncryptedTextField(null=True, blank=True)
    implanted_on = models.DateField()
    explanted_on = models.DateField(null=True, blank=True)

    handling = declare(
        pseudonym("patient"),
        as_is("kind chamber"),
        shifted("implanted_on explanted_on"),
        withheld("model_name", FREE_TEXT),
        identifies("serial_number", "device identifier"),
    )

    class Meta:
        ordering = ("implanted_on", "id")
        constraints = [
            one_of("device", "kind", DeviceKind.values),
            in_order("device", "implanted_on", "explanted_on"),
            models.CheckConstraint(
                condition=models.Q(kind=DeviceKind.GENERATOR, chamber__isnull=True)
                | models.Q(kind=DeviceKind.LEAD, chamber__isnull=False, chamber__in=Chamber.values),
                name="device_lead_has_chamber",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.model_name}"
