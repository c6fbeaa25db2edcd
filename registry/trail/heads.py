"""The heads of the trail on a file outside the database, signed: a chain alone cannot show that its end was cut off.

The signature is Ed25519 (RFC 8032) over canonical JSON. Its key is worked out from the export key, which the database
does not hold, by HKDF (RFC 5869).
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.utils import timezone

from registry.errors import RuleBroken
from registry.models import Centre, TrailHead
from registry.numbers.outside import whole_number
from registry.trail.canonical import text_of

FORMAT = "tributary trail heads 1"
# A file of its own kind: heads that were exported are not heads up to which the trail was verified.
VERIFIED = "tributary trail verified 1"
_BAD = "This is not a file of trail heads."
_BAD_VERIFIED = "This is not a file that verify_trail --remember has written."


@dataclass(frozen=True)
class Head:
    """A centre's last link as it was when the file was made."""

    centre_id: UUID
    sequence: int
    digest: str
    exported_at: str


@dataclass(frozen=True)
class Verified:
    """How far a run of the verification came: the head of each centre, and which part of the older rows it compared."""

    heads: Sequence[Head] = ()
    part: int = 0


def _key() -> Ed25519PrivateKey:
    seed = HKDF(SHA256(), 32, salt=None, info=b"tributary trail heads").derive(settings.EXPORT_KEY.encode())
    return Ed25519PrivateKey.from_private_bytes(seed)


def public_key() -> str:
    """Return the public half of this service's signing key, as 64 hexadecimal digits."""
    return _key().public_key().public_bytes_raw().hex()


def current_heads() -> list[Head]:
    """Return the head of every centre as it is now."""
    now = timezone.now().astimezone(dt.UTC).isoformat(timespec="seconds")
    heads = TrailHead.objects.order_by("centre_id")
    return [Head(head.centre_id, head.sequence, head.digest, now) for head in heads]


def exported_heads() -> str:
    """Return the text of a file with the head of every centre, signed."""
    return _signed(FORMAT, current_heads())


def read_heads(text: str, *, signed_by: str | None = None) -> list[Head]:
    """Read a file of heads, made with this service's key or the public key given.

    Raises
    ------
    RuleBroken
        When it is no such file, or its signature does not hold.
    """
    return _read(text, FORMAT, _BAD, signed_by)[0]


def remembered(verified: Verified) -> str:
    """Return the text of a file that says how far the trail was verified, signed."""
    return _signed(VERIFIED, verified.heads, part=str(verified.part))


def read_remembered(text: str) -> Verified:
    """Read a file that says how far the trail was verified.

    Raises
    ------
    RuleBroken
        When it is no such file, or its signature does not hold.
    """
    heads, content = _read(text, VERIFIED, _BAD_VERIFIED, None)
    return Verified(tuple(heads), whole_number(str(content.get("part")), 0, 2**31))


def _signed(kind: str, heads: Sequence[Head], **more: str) -> str:
    codes = dict(Centre.objects.values_list("id", "code"))
    content: dict[str, Any] = {
        "format": kind,
        "exported_at": timezone.now().astimezone(dt.UTC).isoformat(timespec="seconds"),
        "public_key": public_key(),
        "heads": [
            {
                "centre": str(head.centre_id),
                "code": codes.get(head.centre_id, ""),
                "links": str(head.sequence),
                "digest": head.digest,
            }
            for head in heads
        ],
        **more,
    }
    content["signature"] = _key().sign(text_of(content).encode()).hex()
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _read(text: str, kind: str, bad: str, signed_by: str | None) -> tuple[list[Head], dict[str, Any]]:
    try:
        content = json.loads(text)
        signature = bytes.fromhex(content.pop("signature"))
        if content["format"] != kind:
            raise RuleBroken(bad)
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signed_by or public_key()))
        heads = [
            Head(
                UUID(head["centre"]),
                whole_number(str(head["links"]), 0, 2**63 - 1),
                str(head["digest"]),
                str(content["exported_at"]),
            )
            for head in content["heads"]
        ]
        signed = text_of(content).encode()
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise RuleBroken(bad) from None
    try:
        key.verify(signature, signed)
    except InvalidSignature:
        raise RuleBroken(
            "The signature of the file is not valid: the file was changed, or signed with another key."
        ) from None
    return heads, content
