"""The stored form of a recording's signals: where it lies, or how far its making is."""

from __future__ import annotations

from django.db import models

from procedures.models.recording import Recording
from registry.models import Job, Record, RunState, job_constraints, job_index
from registry.models.declared import RECORDING, declare, withheld
from registry.models.trailed import untrailed


class StoredSignals(Job, Record):
    """What a recording was decoded to, once. It follows from the original file and can be made again at any time."""

    recording = models.OneToOneField(Recording, models.CASCADE, related_name="signals")
    # Name below the store of signals; empty until the first one is made. It stays in use while a new one is made.
    place = models.CharField(max_length=120, blank=True)
    layout = models.PositiveSmallIntegerField(default=0)
    # The patient whose key opens it; empty only where it was made before forms were encrypted.
    sealed_for = models.UUIDField(null=True, blank=True, editable=False)

    trail = untrailed("made from the original file, whose hash has a link")

    handling = declare(withheld("recording place layout sealed_for", RECORDING))

    class Meta:
        verbose_name_plural = "stored signals"
        indexes = [job_index("storedsignals")]
        constraints = [
            *job_constraints("storedsignals"),
            models.CheckConstraint(
                condition=~models.Q(state=RunState.DONE) | ~models.Q(place=""), name="storedsignals_done_has_place"
            ),
        ]

    def __str__(self) -> str:
        return f"signals of {self.recording_id}"
