"""One-time links to set a password. The right of the person who made one is judged again each time it is opened."""

from __future__ import annotations

from uuid import UUID

from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from registry.access import in_force
from registry.errors import AccessDenied, RuleBroken
from registry.models import Member, User
from registry.services.people import require_whole_account

_SERVER = UUID(int=0)  # made by a command on the server
_KEY = 32


class _Token(PasswordResetTokenGenerator):
    """A token for one membership, made by one person; both are part of what is signed."""

    def __init__(self, member: UUID, maker: UUID) -> None:
        super().__init__()
        self._about = f"{member.hex}{maker.hex}"

    def _make_hash_value(self, user: User, timestamp: int) -> str:
        return f"{super()._make_hash_value(user, timestamp)}{self._about}"


def path_of_link(*, by: User | None, member: Member) -> str:
    """Return the path of a new link; ``by=None`` is a command on the server."""
    maker = by.pk if by else _SERVER
    token = member.pk.hex + maker.hex + _Token(member.pk, maker).make_token(member.user)
    return reverse("join", args=[urlsafe_base64_encode(force_bytes(member.user_id)), token])


class Links:
    """What the page behind a link asks whether it still opens."""

    def check_token(self, user: User | None, token: str) -> bool:
        """Say whether the link is unused, in time, and its maker may still act on the whole account."""
        try:
            member, maker = UUID(token[:_KEY]), UUID(token[_KEY : 2 * _KEY])
        except ValueError:
            return False
        return _Token(member, maker).check_token(user, token[2 * _KEY :]) and _holds(user, member, maker)


def _holds(user: User | None, key: UUID, maker: UUID) -> bool:
    member = Member.objects.filter(in_force(), pk=key, user=user, user__is_active=True).select_related("user").first()
    if member is None or maker == _SERVER:
        return member is not None
    by = User.objects.filter(pk=maker, is_active=True).first()
    try:
        require_whole_account(by=by, member=member) if by else None
    except (AccessDenied, RuleBroken):
        return False
    return by is not None
