"""What stood in the way of reaching a vein or keeping a position."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from procedures.models.session import Session
from procedures.models.site import Obstacle, Site, Tributary
from registry.models import Record, User
from registry.models.constraints import one_of
from registry.models.declared import FREE_TEXT, STAFF, UPKEEP, declare, pseudonym, withheld


class Difficulty(Record):
    """One difficulty: a reason of the list, words, or both; about a tributary, a site, or the session as a whole."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="difficulties")
    tributary = models.ForeignKey(Tributary, models.PROTECT, null=True, blank=True, related_name="difficulties")
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="difficulties")
    reason = models.CharField(max_length=30, choices=Obstacle)
    text = models.CharField("Remark", max_length=500, blank=True)
    noted_at = models.DateTimeField()
    author = models.ForeignKey(User, models.PROTECT, related_name="+")

    handling = declare(
        pseudonym("session tributary site"),
        withheld("reason noted_at", UPKEEP),
        withheld("text", FREE_TEXT),
        withheld("author", STAFF),
    )

    class Meta:
        ordering = ("noted_at", "id")
        verbose_name_plural = "difficulties"
        constraints = [
            one_of("difficulty", "reason", Obstacle.values),
            models.CheckConstraint(
                condition=~Q(reason=Obstacle.OTHER) | ~Q(text=""),
                name="difficulty_other_has_words",
                violation_error_message="Describe the difficulty.",
                violation_error_code="field:text",
            ),
        ]

    def __str__(self) -> str:
        return self.get_reason_display()

    @property
    def where(self) -> str:
        """The site or the vein it is about; empty where it is about the session as a whole."""
        return str(self.site or self.tributary or "")
