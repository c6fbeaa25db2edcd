"""A capture-threshold test: the pacing amplitude stepped down until capture is lost."""

from __future__ import annotations

from django.db import models

from procedures.models.site import Site
from registry.models import Record
from registry.models.constraints import within
from registry.models.declared import UPKEEP, declare, pseudonym, withheld


class ThresholdTest(Record):
    """One step-down run at a site. The threshold is the lowest amplitude that still captured before the loss."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="threshold_tests")
    tested_at = models.DateTimeField()
    pulse_width_ms = models.FloatField("Pulse width")
    # In the order they were paced: [{"amplitude_v": 2.0, "captured": true}, ...]
    steps = models.JSONField()
    # Both follow from the steps. No loss: the threshold lies below the last step; loss at once: above the first.
    capture_threshold_v = models.FloatField("Capture threshold", null=True, blank=True, editable=False)
    lost_at_v = models.FloatField("Capture lost at", null=True, blank=True, editable=False)

    handling = declare(
        pseudonym("site"),
        withheld("tested_at steps lost_at_v", UPKEEP),
        withheld("pulse_width_ms capture_threshold_v", "exported with the measurement that the test led to"),
    )

    class Meta:
        ordering = ("tested_at", "id")
        constraints = [
            within("thresholdtest", "pulse_width_ms", 0.02, 3),
            within("thresholdtest", "capture_threshold_v", 0.05, 12),
            within("thresholdtest", "lost_at_v", 0.05, 12),
            models.CheckConstraint(
                condition=models.Q(capture_threshold_v__isnull=True)
                | models.Q(lost_at_v__isnull=False, capture_threshold_v__gt=models.F("lost_at_v")),
                name="thresholdtest_threshold_above_loss",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.tested_at:%H:%M}"

    @property
    def result(self) -> str:
        """What the run found, in words."""
        at = f"at {self.pulse_width_ms:g} ms"
        if self.capture_threshold_v is not None:
            return f"threshold {self.capture_threshold_v:g} V {at}, capture lost at {self.lost_at_v:g} V"
        if self.lost_at_v is not None:
            return f"no capture at {self.lost_at_v:g} V {at}"
        return f"captured down to {self.steps[-1]['amplitude_v']:g} V {at}, no loss"
