"""Erasures as the trail tells of them: which patients, and which links lost their values with them.

The link of an erasure carries a signature made with a key outside the database, so that nobody who only writes to the
database can make links unreadable and call it an erasure.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

from registry.models import Change
from registry.trail.canonical import text_of
from registry.trail.record import parts_of

ACTION = "erased"


@dataclass(frozen=True)
class Erasures:
    """The patients who were erased, and what is left of links that were blanked, by centre and number."""

    patients: frozenset[UUID] = frozenset()
    blanked: Mapping[tuple[UUID, int], str] = field(default_factory=dict)


def signature(text: str) -> str:
    """Return this service's signature of a text about an erasure."""
    key = HKDF(SHA256(), 32, salt=None, info=b"tributary erasures").derive(settings.EXPORT_KEY.encode())
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()


def told(patient: UUID, blanked: Mapping[int, str]) -> dict[str, Any]:
    """Return what the link of an erasure says: the blanked links with the digest of what is left of each, signed."""
    left = {str(sequence): digest for sequence, digest in blanked.items()}
    signed = signature(text_of({"patient": patient, "blanked": left}))
    return {"new": {}, "old": {}, "blanked": left, "signature": signed}


def left_of(change: Change) -> str:
    """Return the digest of everything in a link but its values and its reason."""
    parts = parts_of(change) | {"values": "", "reason": "", "digest": change.digest, "before": change.previous_digest}
    return hashlib.sha256(text_of(parts).encode()).hexdigest()


def erasures() -> Erasures:
    """Return the erasures that the trail tells of and this service signed."""
    patients: set[UUID] = set()
    blanked: dict[tuple[UUID, int], str] = {}
    links = Change.objects.filter(record_type="registry.patient", action=ACTION).order_by()
    for centre, patient, values in links.values_list("centre_id", "record_id", "values"):
        try:
            held = json.loads(values)
            signed = signature(text_of({"patient": patient, "blanked": held["blanked"]}))
            if not hmac.compare_digest(signed, held["signature"]):
                continue
            blanked |= {(centre, int(sequence)): digest for sequence, digest in held["blanked"].items()}
        except (ValueError, KeyError, TypeError, AttributeError):
            continue
        patients.add(patient)
    return Erasures(frozenset(patients), blanked)
