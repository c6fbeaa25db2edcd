"""Who works here: users, centres and the role of a member in a centre."""

from __future__ import annotations

from uuid import UUID

from django.contrib.auth.models import AbstractUser
from django.db import models

from registry.models.base import Record, new_key
from registry.models.constraints import FIELD_CODE
from registry.models.declared import PLACE, STAFF, UPKEEP, declare, identifies, withheld
from registry.models.trailed import loose


class User(AbstractUser):
    """Somebody who logs in. Rights come from memberships, never from the user alone."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    full_name = models.CharField(max_length=120, blank=True)
    # Centres whose rules the log-in of this request does not meet (registry/access.py).
    closed_centres: frozenset[UUID] = frozenset()

    trail = loose("", "", linkless=models.Q(), linkless_because="made by a command, before there is a centre")

    handling = declare(
        identifies("username first_name last_name full_name email", STAFF),
        withheld("id password last_login is_superuser is_staff is_active date_joined groups user_permissions", STAFF),
    )

    def __str__(self) -> str:
        return self.full_name or self.username


class Centre(Record):
    """A hospital department that implants and owns its records."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    # From this day on everyone who sees identifiers logs in with a second factor; until then they are reminded.
    second_factor_from = models.DateField(null=True, blank=True)
    # After this time without a touch a session is locked until its person confirms who they are.
    idle_lock_min = models.PositiveSmallIntegerField(default=15)
    # Where the hospital has a log-in of its own: whether it is the only one. An administrator keeps the local one.
    local_log_in_closed = models.BooleanField(default=False)

    handling = declare(
        withheld("code name", PLACE),
        withheld("second_factor_from idle_lock_min local_log_in_closed", UPKEEP),
    )

    class Meta:
        ordering = ("name",)
        constraints = [
            models.CheckConstraint(
                condition=models.Q(idle_lock_min__gte=1, idle_lock_min__lte=240),
                name="centre_locks_in_time",
                violation_error_code=FIELD_CODE + "idle_lock_min",
                violation_error_message="Enter 1 to 240 minutes.",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """What a member does in a centre."""

    LAB_STAFF = "lab_staff", "Lab staff"
    PHYSICIAN = "physician", "Physician"
    CLINICAL_LEAD = "clinical_lead", "Clinical lead"
    RESEARCHER = "researcher", "Researcher"
    ADMINISTRATOR = "administrator", "Administrator"


class Member(Record):
    """A user's role in one centre. One person may hold several."""

    user = models.ForeignKey(User, models.PROTECT, related_name="memberships")
    centre = models.ForeignKey(Centre, models.PROTECT, related_name="members")
    role = models.CharField(max_length=20, choices=Role)
    # From this day on the membership gives no right. It is never deleted: who held which role when stays on record.
    ended_on = models.DateField(null=True, blank=True)

    handling = declare(
        withheld("user centre role ended_on", STAFF),
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=("user", "centre", "role"),
                condition=models.Q(ended_on__isnull=True),
                name="member_once_per_role",
                violation_error_message="This person already has this role.",
            ),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="member_role_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} · {self.get_role_display()} · {self.centre}"
