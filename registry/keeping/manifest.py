"""What a backup holds, signed by the service: no identifier, so it lies open beside the sealed files.

The age format does not say who sealed a file. The signature does: Ed25519 over canonical JSON, its key worked out from
the export key (HKDF), as for exported heads of the trail but apart from them.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

from registry.errors import RuleBroken
from registry.trail.canonical import text_of

FORMAT, NAME = "tributary backup 1", "manifest.json"


def _key() -> Ed25519PrivateKey:
    seed = HKDF(SHA256(), 32, salt=None, info=b"tributary backups").derive(settings.EXPORT_KEY.encode())
    return Ed25519PrivateKey.from_private_bytes(seed)


def fingerprints() -> list[str]:
    """Return a name for each key of the identifiers, from which the key cannot be worked out."""
    return [hashlib.sha256(b"tributary key name" + key.encode()).hexdigest()[:16] for key in settings.IDENTITY_KEYS]


def signed(content: dict[str, Any]) -> str:
    """Return the text of a manifest."""
    content = {"format": FORMAT} | content
    signature = _key().sign(text_of(content).encode()).hex()
    return json.dumps(content | {"signature": signature}, indent=1) + "\n"


def read(folder: Path) -> dict[str, Any]:
    """Read the manifest of a backup.

    Raises
    ------
    RuleBroken
        When there is none, or its signature does not hold.
    """
    try:
        content: dict[str, Any] = json.loads((folder / NAME).read_text(encoding="utf-8"))
        signature = bytes.fromhex(content.pop("signature"))
        if content["format"] != FORMAT:
            raise ValueError
        text = text_of(content).encode()
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise RuleBroken(f"{folder} is not a backup of this service.") from None
    try:
        public: Ed25519PublicKey = _key().public_key()
        public.verify(signature, text)
    except InvalidSignature:
        raise RuleBroken(
            f"The signature of {folder / NAME} is not valid: it was changed, or TRIBUTARY_EXPORT_KEY is another one."
        ) from None
    return content
