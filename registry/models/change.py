"""The change trail: who, when, what, old, new, why. Append-only and chained by hash, per centre."""

from __future__ import annotations

from django.db import models

from registry.models.base import new_key
from registry.models.declared import FREE_TEXT, STAFF, UPKEEP, declare, withheld
from registry.models.trailed import untrailed


class TrailHead(models.Model):
    """The last link of a centre's chain; locking this row puts the writers of a centre in a line."""

    centre_id = models.UUIDField(primary_key=True)
    sequence = models.PositiveBigIntegerField(default=0)
    digest = models.CharField(max_length=64, default="0" * 64)

    trail = untrailed("is the trail itself")

    handling = declare(
        withheld("centre_id sequence digest", UPKEEP),
    )

    def __str__(self) -> str:
        return f"{self.centre_id} #{self.sequence}"


class Change(models.Model):
    """One change of one record. No foreign keys: it must never block, nor vanish with, what it describes.

    Triggers in the database refuse to update or delete rows.
    """

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    centre_id = models.UUIDField()
    sequence = models.PositiveBigIntegerField()
    at = models.DateTimeField()
    actor_id = models.UUIDField(null=True)
    actor_name = models.CharField(max_length=150)
    action = models.CharField(max_length=20)
    record_type = models.CharField(max_length=40)
    record_id = models.UUIDField()
    # Canonical JSON text, not a JSON column: the digest is over these very characters.
    values = models.TextField()
    reason = models.TextField(blank=True)
    previous_digest = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)

    trail = untrailed("is the trail itself")

    handling = declare(
        withheld("id centre_id sequence at action record_type record_id previous_digest digest", UPKEEP),
        withheld("actor_id actor_name", STAFF),
        withheld("values reason", FREE_TEXT),
    )

    class Meta:
        ordering = ("centre_id", "sequence")
        indexes = [models.Index(fields=("record_type", "record_id"))]
        constraints = [
            models.UniqueConstraint(fields=("centre_id", "sequence"), name="change_in_line"),
        ]

    def __str__(self) -> str:
        return f"#{self.sequence} {self.action} {self.record_type}"
