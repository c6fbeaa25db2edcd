"""Files of signals and the runs that analysed them."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from procedures.models.session import Session
from registry.models import Job, Record, User, job_constraints, job_index
from registry.models.declared import FREE_TEXT, LINK, RECORDING, STAFF, as_is, declare, withheld
from registry.models.trailed import FOLLOWS, UNDER_WAY, loose


def _path(recording: Recording, _: str) -> str:
    """Name of files stored before they were encrypted; kept for the migration that refers to it."""
    return f"{recording.sha256[:2]}/{recording.sha256}"


class Recording(Record):
    """A file of signals, known by its content and never altered; it lies encrypted under the name of its ciphertext."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="recordings")
    sha256 = models.CharField(max_length=64)
    file = models.FileField(upload_to=_path, max_length=120)
    original_name = models.CharField(max_length=200)
    format = models.CharField(max_length=20)
    size_bytes = models.PositiveBigIntegerField()
    # Not known before the file has been read, unless its head says it; then the channels may be empty too.
    duration_s = models.FloatField(null=True, blank=True)
    # Where the file's own time axis begins; epochs of the recording are given on that axis.
    axis_start_s = models.FloatField(default=0.0)
    # Session clock at the first sample, so that epochs of several files stand in one order.
    started_at = models.DateTimeField()
    # [{label, unit, sample_rate_hz}] as in the file, and {role: label} as chosen.
    channels = models.JSONField(default=list, blank=True)
    mapping = models.JSONField(default=dict, blank=True)
    uploaded_by = models.ForeignKey(User, models.PROTECT, related_name="+")

    trail = loose("file", "says where the bytes lie; what they are says their hash, which has a link")

    handling = declare(
        withheld("session", LINK),
        withheld("sha256 file original_name format size_bytes duration_s axis_start_s started_at", RECORDING),
        withheld("channels mapping", RECORDING),
        withheld("uploaded_by", STAFF),
    )

    class Meta:
        ordering = ("started_at", "id")
        constraints = [
            models.UniqueConstraint(fields=("session", "sha256"), name="recording_once_per_session"),
            models.CheckConstraint(condition=Q(duration_s__gt=0), name="recording_has_duration"),
        ]

    def __str__(self) -> str:
        return self.original_name


class AnalysisRun(Job, Record):
    """One run of the analysis over one recording, with the version and settings that made its numbers."""

    recording = models.ForeignKey(Recording, models.CASCADE, related_name="runs")
    algorithm_version = models.CharField(max_length=40, blank=True)
    settings = models.JSONField(default=dict, blank=True)
    quality = models.JSONField(default=list, blank=True)

    trail = loose(
        "state progress_percent step failure attempts token lease_until sent_at next_try_at started_at finished_at",
        UNDER_WAY,
    ).and_loose("algorithm_version settings quality", FOLLOWS)

    handling = declare(
        as_is("algorithm_version"),
        withheld("recording settings quality", RECORDING),
    )

    class Meta:
        ordering = ("-created_at", "-id")
        indexes = [job_index("analysisrun")]
        constraints = job_constraints("analysisrun")

    def __str__(self) -> str:
        return f"{self.recording} {self.get_state_display()}"


class BeatOverride(Record):
    """A beat that somebody refused or restored by hand; it holds for every later analysis of the recording."""

    recording = models.ForeignKey(Recording, models.CASCADE, related_name="beat_overrides")
    # Start of the beat on the file's own time axis, as the analysis found it.
    time_s = models.FloatField()
    counts = models.BooleanField()
    reason = models.CharField(max_length=200, blank=True)
    judged_by = models.ForeignKey(User, models.PROTECT, related_name="+")

    handling = declare(
        withheld("recording time_s counts", RECORDING),
        withheld("reason", FREE_TEXT),
        withheld("judged_by", STAFF),
    )

    class Meta:
        ordering = ("time_s",)
        constraints = [
            models.UniqueConstraint(fields=("recording", "time_s"), name="beatoverride_once_per_beat"),
        ]

    def __str__(self) -> str:
        return f"{self.time_s:.2f} s {'counts' if self.counts else 'refused'}"
