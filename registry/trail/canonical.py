"""Values as text that is the same on every machine and in every version, so that it can be hashed."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from decimal import Decimal
from enum import Enum
from typing import Any
from uuid import UUID


def plain(value: Any) -> Any:
    """Turn a field's value into JSON's own kinds; numbers become decimal text, times UTC ISO text."""
    if value is None or isinstance(value, bool | str):
        return str(value) if isinstance(value, Enum) else value
    if isinstance(value, int | float | Decimal):
        return format(Decimal(repr(value)) if isinstance(value, float) else Decimal(value), "f")
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, UUID):
        return str(value)
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return str(value)


def text_of(value: Any) -> str:
    """Return canonical JSON: sorted keys, no spaces, UTF-8 as it is."""
    return json.dumps(plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def link(previous_digest: str, parts: dict[str, Any]) -> str:
    """Return the digest of one link of the chain."""
    return hashlib.sha256(f"{previous_digest}\n{text_of(parts)}".encode()).hexdigest()
