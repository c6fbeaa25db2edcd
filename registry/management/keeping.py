"""What the commands about backups share: a full disk or a folder that cannot be written is one sentence too."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.core.management.base import CommandError, CommandParser

from registry.errors import RuleBroken


@contextmanager
def in_a_sentence(what: str) -> Iterator[None]:
    """End every fault with exit code 2 and a sentence."""
    try:
        yield
    except RuleBroken as error:
        raise CommandError(str(error), returncode=2) from None
    except OSError as error:
        raise CommandError(f"{what}: {error.strerror or error}. Nothing half-written is left.", returncode=2) from None


def about_a_backup(parser: CommandParser) -> None:
    """Take the folder, the private key and which backup."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of backups")
    parser.add_argument("--key", type=Path, required=True, metavar="FILE", help="private key of the backups")
    parser.add_argument("--backup", default="", metavar="NAME", help="which one, if not the latest")
