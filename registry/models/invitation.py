"""A centre asks somebody who already has an account elsewhere; the person answers."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.declared import STAFF, declare, withheld
from registry.models.people import Centre, Role, User


class Answer(models.TextChoices):
    """What became of an invitation."""

    OPEN = "open", "Not answered yet"
    ACCEPTED = "accepted", "Accepted"
    DECLINED = "declined", "Declined"
    WITHDRAWN = "withdrawn", "Withdrawn"


class Invitation(Record):
    """A role in a further centre, which begins when the person accepts."""

    user = models.ForeignKey(User, models.PROTECT, related_name="invitations")
    centre = models.ForeignKey(Centre, models.PROTECT, related_name="invitations")
    role = models.CharField(max_length=20, choices=Role)
    invited_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    answer = models.CharField(max_length=10, choices=Answer, default=Answer.OPEN)

    handling = declare(
        withheld("user centre role invited_by answer", STAFF),
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=("user", "centre", "role"),
                condition=models.Q(answer="open"),
                name="invitation_open_once_per_role",
                violation_error_message="This person already has an open invitation for this role.",
            ),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="invitation_role_known"),
            models.CheckConstraint(condition=models.Q(answer__in=Answer.values), name="invitation_answer_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user.username} · {self.get_role_display()} · {self.centre}"
