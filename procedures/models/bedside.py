"""What a tablet at the bedside has sent: one row an entry, so that sending it again writes nothing twice."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from procedures.models.session import Session
from registry.models import Centre, Record, User
from registry.models.declared import LINK, PLACE, STAFF, UPKEEP, declare, withheld
from registry.models.trailed import untrailed


class BedsideEntry(Record):
    """An entry of a tablet's outbox, known by centre, tablet and the tablet's own key for it.

    While it is being written a lease stands; a process that dies leaves a lease that runs out, never a locked key.
    """

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="+")
    session = models.ForeignKey(Session, models.CASCADE, related_name="bedside_entries")
    device = models.UUIDField()
    client_uuid = models.UUIDField()
    # The tablet's own count: order does not depend on any clock.
    sequence = models.PositiveBigIntegerField()
    kind = models.CharField(max_length=30)
    record_key = models.CharField(max_length=100)
    payload_sha256 = models.CharField(max_length=64)
    captured_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    sent_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    captured_at = models.DateTimeField()
    received_at = models.DateTimeField()
    # The tablet's clock minus the server's when it was sent.
    clock_skew_s = models.FloatField()
    lease_until = models.DateTimeField(null=True)
    answer = models.JSONField(null=True)

    trail = untrailed("how an entry came in; what it wrote has its links")

    handling = declare(
        withheld("centre", PLACE),
        withheld("session record_key", LINK),
        withheld("device client_uuid sequence kind payload_sha256 captured_at received_at clock_skew_s", UPKEEP),
        withheld("lease_until answer", UPKEEP),
        withheld("captured_by sent_by", STAFF),
    )

    class Meta:
        ordering = ("received_at", "id")
        verbose_name_plural = "bedside entries"
        constraints = [
            models.UniqueConstraint(fields=("centre", "device", "client_uuid"), name="bedsideentry_once"),
            models.CheckConstraint(
                condition=Q(answer__isnull=True, lease_until__isnull=False)
                | Q(answer__isnull=False, lease_until__isnull=True),
                name="bedsideentry_leased_or_answered",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.record_key}"
