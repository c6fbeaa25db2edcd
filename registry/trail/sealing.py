"""Sealing what a link says of a patient under that patient's key, by AES-256-GCM.

A link's digest covers the sealed text, so the chain can be verified without any key, also after one was destroyed. What
concerns two patients is sealed under both keys: destroying either one closes it.
"""

from __future__ import annotations

import base64
import os
import zlib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.fernet import InvalidToken
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.db import connection, models
from django.db.models.functions import Cast

from registry.models import PatientKey
from registry.models.encrypted import cipher

_MARK = "sealed 1"
_NONCE_BYTES = 12
# Below this nothing is gained by compressing.
_SHORT = 100
_READ = "SELECT wrapped FROM registry_patientkey WHERE owner = %s"
_ADD = "INSERT INTO registry_patientkey (owner, wrapped) VALUES (%s, %s) ON CONFLICT DO NOTHING"


class Closed(ValueError):
    """What was sealed cannot be opened: the key is not there, or is another one."""

    def __init__(self, owners: Sequence[UUID], *, missing: bool) -> None:
        super().__init__("sealed under a key that is not there" if missing else "cannot be opened with its key")
        self.owners, self.missing = tuple(owners), missing


@lru_cache(maxsize=512)
def _unwrapped(wrapped: str) -> AESGCM:
    return AESGCM(_secret(wrapped))


def _secret(wrapped: str) -> bytes:
    return base64.b64decode(cipher().decrypt(wrapped.encode()))


def secret_of(owner: UUID) -> bytes:
    """Return a patient's key itself, to work out further keys from.

    Raises
    ------
    Closed
        When there is none, as after an erasure, or no identity key unwraps it.
    """
    row = (
        PatientKey.objects.filter(pk=owner).annotate(raw=Cast("wrapped", models.TextField())).values_list("raw").first()
    )
    if row is None:
        raise Closed([owner], missing=True)
    try:
        return _secret(row[0])
    except (InvalidToken, ValueError):
        raise Closed([owner], missing=False) from None


def sealed(text: str, owners: Sequence[UUID], *, link: UUID) -> str:
    """Return a text sealed for these patients and bound to its link; a patient without a key gets one."""
    return sealed_with(text, [(owner, _key(owner)) for owner in owners], link=link)


def sealed_with(text: str, keys: Sequence[tuple[UUID, AESGCM]], *, link: UUID) -> str:
    """Return a text sealed under keys that were read before."""
    plain = text.encode()
    body = b"z" + zlib.compress(plain) if len(plain) > _SHORT else b"p" + plain
    for _, key in reversed(keys):
        nonce = os.urandom(_NONCE_BYTES)
        body = nonce + key.encrypt(nonce, body, link.bytes)
    return " ".join([_MARK, ",".join(owner.hex for owner, _ in keys), base64.b64encode(body).decode()])


def owners_of(text: str) -> tuple[UUID, ...]:
    """Return for whom a text is sealed; nobody where it is in the clear.

    Raises
    ------
    ValueError
        When it says it is sealed and names nobody.
    """
    if not text.startswith(_MARK):
        return ()
    return tuple(UUID(hex=one) for one in text[len(_MARK) + 1 :].partition(" ")[0].split(","))


def unsealed(text: str, *, link: UUID, keys: dict[UUID, AESGCM] | None = None) -> str:
    """Return what was sealed; ``keys`` are those read before, by their owner.

    Raises
    ------
    Closed
        When a key is missing or does not fit.
    ValueError
        When it is no sealed text.
    """
    owners = owners_of(text)
    if keys is None:
        keys = keys_of(owners)
    if lost := [owner for owner in owners if owner not in keys]:
        raise Closed(lost, missing=True)
    body = base64.b64decode(text.rpartition(" ")[2], validate=True)
    try:
        for owner in owners:
            body = keys[owner].decrypt(body[:_NONCE_BYTES], body[_NONCE_BYTES:], link.bytes)
    except InvalidTag:
        raise Closed(owners, missing=False) from None
    return (zlib.decompress(body[1:]) if body[:1] == b"z" else body[1:]).decode()


def keys_of(owners: Iterable[UUID]) -> dict[UUID, AESGCM]:
    """Return the keys that are there, by their owner; one that no identity key can unwrap is not there."""
    found: dict[UUID, AESGCM] = {}
    rows = PatientKey.objects.filter(pk__in=set(owners)).annotate(raw=Cast("wrapped", models.TextField()))
    for owner, wrapped in rows.values_list("pk", "raw"):
        try:
            found[owner] = _unwrapped(wrapped)
        except (InvalidToken, ValueError):
            continue
    return found


def made_keys(owners: Iterable[UUID]) -> dict[UUID, AESGCM]:
    """Return the keys of many patients, with new ones for those that have none; within the transaction that writes."""
    wanted = set(owners)
    found = keys_of(wanted)
    new = [PatientKey(owner=owner, wrapped=_fresh()) for owner in sorted(wanted - found.keys())]
    PatientKey.objects.bulk_create(new, ignore_conflicts=True, batch_size=500)
    return found | keys_of(one.owner for one in new)


def _key(owner: UUID) -> AESGCM:
    """Return a patient's key, made when there is none. Plain SQL, since this is part of every write."""
    native: Any = owner if connection.features.has_native_uuid_field else owner.hex
    with connection.cursor() as cursor:
        cursor.execute(_READ, [native])
        if (row := cursor.fetchone()) is None:
            # Another writer may make one at the same time; the first one counts.
            cursor.execute(_ADD, [native, cipher().encrypt(_fresh().encode()).decode()])
            cursor.execute(_READ, [native])
            row = cursor.fetchone()
    return _unwrapped(row[0])


def _fresh() -> str:
    return base64.b64encode(AESGCM.generate_key(256)).decode()
