"""Who works here: users, centres and the role of a member in a centre."""

from __future__ import annotations

from django.contrib.auth.models import AbstractUser
from django.db import models

from registry.models.base import Record, new_key
from registry.models.declared import PLACE, STAFF, declare, identifies, withheld


class User(AbstractUser):
    """Somebody who logs in. Rights come from memberships, never from the user alone."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    full_name = models.CharField(max_length=120, blank=True)

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

    handling = declare(
        withheld("code name", PLACE),
    )

    class Meta:
        ordering = ("name",)

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

    handling = declare(
        withheld("user centre role", STAFF),
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=("user", "centre", "role"), name="member_once_per_role"),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="member_role_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} · {self.get_role_display()} · {self.centre}"
