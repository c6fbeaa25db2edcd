"""A lead or generator whose label was scanned at the table."""

from __future__ import annotations

from uuid import UUID

from django.db import models

from procedures.models.session import Session
from registry.models import Device, Record, User
from registry.models.constraints import one_of
from registry.models.declared import LINK, STAFF, UPKEEP, declare, identifies, pseudonym, withheld
from registry.models.encrypted import EncryptedTextField


class Part(models.TextChoices):
    """What the label was on."""

    LV_LEAD = "lv_lead", "LV lead"
    RV_LEAD = "rv_lead", "RV lead"
    RA_LEAD = "ra_lead", "RA lead"
    GENERATOR = "generator", "Generator"
    DELIVERY = "delivery", "Sheath, catheter or wire"
    OTHER = "other", "Other part"


class ScannedPart(Record):
    """What a scanner typed, and what it says. A serial number leads to a person, so both are encrypted."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="scanned_parts")
    part = models.CharField(max_length=12, choices=Part)
    scanned_at = models.DateTimeField()
    scanned_text = EncryptedTextField()
    # Empty where the text is no GS1 code; then the text itself is the serial number as printed.
    device_identifier = models.CharField(max_length=14, blank=True)
    lot = models.CharField(max_length=20, blank=True)
    serial_number = EncryptedTextField(null=True, blank=True)
    made_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    # The part on the patient's record that was written from this label.
    device = models.ForeignKey(Device, models.PROTECT, null=True, blank=True, related_name="labels")
    author = models.ForeignKey(User, models.PROTECT, related_name="+")

    handling = declare(
        pseudonym("session"),
        withheld("part scanned_at made_on expires_on", UPKEEP),
        withheld("device_identifier lot", "device identifier"),
        withheld("device", LINK),
        identifies("scanned_text serial_number", "a serial number leads to a person"),
        withheld("author", STAFF),
    )

    class Meta:
        ordering = ("scanned_at", "id")
        constraints = [one_of("scannedpart", "part", Part.values)]

    def __str__(self) -> str:
        return self.get_part_display()

    @property
    def patient_id(self) -> UUID:
        """Whose serial number it is: reading it is a look at that patient (``registry.models.noting``)."""
        return self.session.patient_id
