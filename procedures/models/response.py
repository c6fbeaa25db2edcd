"""The acute response of each site, and the decision made."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from procedures.models.session import Session
from procedures.models.site import Site
from registry.models import Job, Record, User, job_constraints, job_index
from registry.models.constraints import within
from registry.models.declared import FREE_TEXT, LINK, STAFF, UPKEEP, as_is, declare, pseudonym, since_start, withheld
from registry.models.trailed import FOLLOWS, untrailed


class AcuteResponse(Record):
    """Change of one metric at one site against baseline, as computed from the session's epochs."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="responses")
    site = models.ForeignKey(Site, models.CASCADE, related_name="responses")
    metric = models.CharField(max_length=40)
    rank = models.PositiveSmallIntegerField()
    change_percent = models.FloatField()
    low_percent = models.FloatField()
    high_percent = models.FloatField()
    probability_best = models.FloatField(null=True, blank=True)
    shrunken_change_percent = models.FloatField(null=True, blank=True)
    shrunken_low_percent = models.FloatField(null=True, blank=True)
    shrunken_high_percent = models.FloatField(null=True, blank=True)
    probability_better_than_baseline = models.FloatField(null=True, blank=True)
    paired_change_percent = models.FloatField(null=True, blank=True)
    paired_low_percent = models.FloatField(null=True, blank=True)
    paired_high_percent = models.FloatField(null=True, blank=True)
    unpaired_change_percent = models.FloatField(null=True, blank=True)
    unpaired_low_percent = models.FloatField(null=True, blank=True)
    unpaired_high_percent = models.FloatField(null=True, blank=True)
    epochs = models.PositiveIntegerField()
    beats = models.PositiveIntegerField()
    flags = models.JSONField(default=list, blank=True)

    trail = untrailed(FOLLOWS)

    handling = declare(
        pseudonym("session site"),
        as_is("metric rank change_percent low_percent high_percent probability_best"),
        as_is("probability_better_than_baseline shrunken_change_percent shrunken_low_percent"),
        as_is("shrunken_high_percent paired_change_percent paired_low_percent paired_high_percent"),
        as_is("unpaired_change_percent unpaired_low_percent unpaired_high_percent epochs beats"),
        withheld("flags", FREE_TEXT),
    )

    class Meta:
        ordering = ("metric", "rank")
        constraints = [
            models.UniqueConstraint(fields=("session", "site", "metric"), name="response_once_per_metric"),
            within("response", "probability_best", 0, 1),
            models.CheckConstraint(
                condition=Q(low_percent__lte=models.F("change_percent"), high_percent__gte=models.F("change_percent")),
                name="response_inside_its_interval",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.metric} {self.change_percent:+.1f} %"


class ResponseSummary(models.Model):
    """What belongs to a metric's comparison as a whole: drift, advice, the fit to draw, or why there is none."""

    id = models.BigAutoField(primary_key=True)
    session = models.ForeignKey(Session, models.CASCADE, related_name="response_summaries")
    metric = models.CharField(max_length=40)
    decided = models.BooleanField(default=False)
    drift_percent_per_min = models.FloatField(null=True, blank=True)
    advice = models.JSONField(default=list)
    drawing = models.JSONField(default=dict)
    refusal = models.TextField(blank=True)
    algorithm_version = models.CharField(max_length=40)
    computed_at = models.DateTimeField()

    trail = untrailed(FOLLOWS)

    handling = declare(
        withheld("id session", LINK),
        withheld("metric decided drift_percent_per_min advice drawing refusal", "the fit can be redone from epochs"),
        withheld("algorithm_version computed_at", UPKEEP),
    )

    class Meta:
        verbose_name_plural = "response summaries"
        constraints = [
            models.UniqueConstraint(fields=("session", "metric"), name="responsesummary_once_per_metric"),
        ]

    def __str__(self) -> str:
        return f"{self.session} {self.metric}"


class ComparisonRun(Job, Record):
    """Whether the acute responses of a session are in step with its epochs, or are being worked out again."""

    session = models.OneToOneField(Session, models.CASCADE, related_name="comparing")

    trail = untrailed(FOLLOWS)

    handling = declare(withheld("session", LINK))

    class Meta:
        indexes = [job_index("comparisonrun")]
        constraints = job_constraints("comparisonrun")

    def __str__(self) -> str:
        return f"comparison of {self.session_id}"


class Decision(Record):
    """The site chosen, by whom and why. A later decision stands over an earlier one; both are kept."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="decisions")
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="decisions")
    decided_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    decided_at = models.DateTimeField()
    reason = models.TextField()
    # The metric the team ranked by, and whether the chosen site led it at that moment (empty: nothing to rank).
    metric = models.CharField(max_length=40, blank=True)
    was_leading = models.BooleanField(null=True, blank=True)

    handling = declare(
        pseudonym("session site"),
        since_start("decided_at"),
        as_is("metric was_leading"),
        withheld("decided_by", STAFF),
        withheld("reason", FREE_TEXT),
    )

    class Meta:
        ordering = ("decided_at", "id")
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="decision_has_reason")]

    def __str__(self) -> str:
        return f"{self.site or 'no site'} {self.decided_at:%H:%M}"
