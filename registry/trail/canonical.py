"""Values as text that is the same on every machine and in every version, so that it can be hashed.

The text follows RFC 8785, "JSON Canonicalization Scheme" (Rundgren, Jordan, Erdtman, 2020): no blanks, keys in the
order of their UTF-16 code units (3.2.3), the short escapes of 3.2.2.2, UTF-8. Numbers are stored as decimal text, so
that the number formatting of 3.2.2.3 never matters.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from decimal import Decimal
from enum import Enum
from typing import Any
from uuid import UUID

_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, check_circular=False)


def _in_order(key: Any) -> bytes:
    return str(key).encode("utf-16-be", "surrogatepass")


def plain(value: Any) -> Any:
    """Turn a value into JSON's own kinds with ordered keys; numbers become decimal text, times UTC ISO text."""
    kind = type(value)
    if value is None or kind is str or kind is bool:
        return value
    if kind is UUID or kind is int:
        return str(value)
    if kind is float:
        return format(Decimal(repr(value)), "f")
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(key): plain(value[key]) for key in sorted(value, key=_in_order)}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, int | float | Decimal) and not isinstance(value, Enum):
        return format(Decimal(value), "f")
    return str(value)


def text_of(value: Any) -> str:
    """Return canonical JSON."""
    return encoded(plain(value))


def encoded(value: Any) -> str:
    """Return canonical JSON of what :func:`plain` returned."""
    return _ENCODER.encode(value)


def link(previous_digest: str, parts: dict[str, Any]) -> str:
    """Return the digest of one link of the chain."""
    return linked(previous_digest, text_of(parts))


def linked(previous_digest: str, content: str) -> str:
    """Return the digest of one link whose parts are canonical text already."""
    return hashlib.sha256(f"{previous_digest}\n{content}".encode()).hexdigest()
