"""Which parts a session implanted or took out."""

from __future__ import annotations

from django.db import models

from procedures.models.session import Session
from registry.models import Device, Record
from registry.models.constraints import one_of
from registry.models.declared import LINK, declare, withheld


class PartAct(models.TextChoices):
    """What the session did with the part."""

    IMPLANTED = "implanted", "Implanted"
    EXPLANTED = "explanted", "Taken out of service"


class SessionPart(Record):
    """A generator or lead that a session implanted or took out of service. The part itself belongs to the patient."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="parts")
    device = models.ForeignKey(Device, models.CASCADE, related_name="acts")
    act = models.CharField(max_length=10, choices=PartAct)

    recorded_twice = (("device", "This is already recorded for this device or lead. Check the session's list."),)

    handling = declare(withheld("session device act", LINK))

    class Meta:
        ordering = ("created_at", "id")
        constraints = [
            one_of("sessionpart", "act", PartAct.values),
            models.UniqueConstraint(fields=("device", "act"), name="sessionpart_once_per_act"),
        ]

    def __str__(self) -> str:
        return f"{self.get_act_display()}: {self.device}"
