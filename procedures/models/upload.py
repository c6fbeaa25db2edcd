"""A file that is being sent in pieces; how much of it is here, the file itself says."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from procedures.models.session import Session
from registry.models import Record, User
from registry.models.declared import RECORDING, STAFF, declare, withheld
from registry.models.trailed import UNDER_WAY, untrailed


class Upload(Record):
    """A file on its way to a session, in pieces; it goes when it has become a recording, or is left lying too long."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="uploads")
    uploaded_by = models.ForeignKey(User, models.CASCADE, related_name="+")
    original_name = models.CharField(max_length=200)
    size_bytes = models.PositiveBigIntegerField()

    trail = untrailed(UNDER_WAY)

    handling = declare(withheld("session original_name size_bytes", RECORDING), withheld("uploaded_by", STAFF))

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(size_bytes__gt=0), name="upload_has_a_size")]

    def __str__(self) -> str:
        return self.original_name
