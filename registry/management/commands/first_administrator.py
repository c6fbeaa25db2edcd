"""Make the first centre and its administrator, and print the link with which the administrator sets a password."""

from __future__ import annotations

import re
from typing import Any

from django.conf import settings
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.core.management.base import CommandError, CommandParser
from django.core.validators import validate_slug
from django.db import transaction

from registry.access import Right, people_with
from registry.errors import RuleBroken
from registry.management.sentence import SentenceCommand
from registry.models import Centre, Member, Role, User
from registry.services.links import path_of_link
from registry.services.people import found_centre, note_act, open_account


class Command(SentenceCommand):
    """Start a service: nobody can log in yet, and nobody could let anybody in."""

    help = "Make a centre with its first administrator and print a one-time link to set the password."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the centre, the person and the address of the service."""
        parser.add_argument("--centre", required=True, metavar="CODE", help="short name: letters, digits, hyphens")
        parser.add_argument("--name", required=True, help="name of the centre")
        parser.add_argument("--username", required=True, help="user name of the administrator")
        parser.add_argument("--full-name", required=True, help="the administrator's name, as colleagues know them")
        parser.add_argument("--address", default="", help="address of the service, such as https://HOST")

    def handle(self, *args: Any, **options: Any) -> None:
        """Make both or nothing; run again before the link is used, it prints a new link."""
        code, username = options["centre"].lower(), options["username"]
        try:
            validate_slug(code)
            UnicodeUsernameValidator()(username)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages), returncode=2) from error
        try:
            with transaction.atomic():
                member = self._member(code, username, options)
                note_act(by=None, member=member, action="link given", reason="by a command on the server")
                path = path_of_link(by=None, member=member)
        except RuleBroken as error:
            said = [message for messages in error.fields.values() for message in messages] or [str(error)]
            raise CommandError(" ".join(said), returncode=2) from error
        site = options["address"].rstrip("/") or _own_address()
        days = settings.PASSWORD_RESET_TIMEOUT // 86400
        self.stderr.write(f"{member.user} administers {member.centre}. The link works once, within {days} days:")
        self.stdout.write(f"{site}{path}")

    def _member(self, code: str, username: str, options: dict[str, Any]) -> Member:
        known = Centre.objects.filter(code=code).first()
        if known:
            waiting = Member.objects.filter(centre=known, user__username=username, role=Role.ADMINISTRATOR)
            waiting = waiting.select_related("user", "centre")
            for member in waiting:
                if not member.user.has_usable_password():
                    return member
            if people_with(known.pk, Right.MANAGE_MEMBERS).exists():
                raise RuleBroken("This centre has an administrator already, who can let others in.")
        if User.objects.filter(username__iexact=username).exists():
            raise RuleBroken(f"The user name {username} is taken. Choose another.")
        centre = known or found_centre(code=code, name=options["name"])
        wanted = {"username": username, "full_name": options["full_name"]}
        return open_account(by=None, centre=centre, role=Role.ADMINISTRATOR, **wanted)


def _own_address() -> str:
    hosts = [host for host in settings.ALLOWED_HOSTS if re.fullmatch(r"[\w.-]+", host) and host != "testserver"]
    return (f"https://{hosts[0]}" if settings.PRODUCTION else "http://localhost:8000") if hosts else ""
