"""A text column that holds ciphertext; the key lies outside the database."""

from __future__ import annotations

import hashlib
import hmac
from functools import lru_cache
from typing import Any

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.db import models

from registry.models.noting import NotedAttribute


@lru_cache(maxsize=4)
def _cipher(keys: tuple[str, ...]) -> MultiFernet:
    return MultiFernet([Fernet(key) for key in keys])


def cipher() -> MultiFernet:
    """Return the cipher for the configured keys: the first encrypts, all decrypt."""
    return _cipher(tuple(settings.IDENTITY_KEYS))


def digests(text: str) -> list[str]:
    """Return the keyed hashes under which an identifier may be stored, one a key: for finding the same person again.

    Until the keys are rotated (``manage.py rotate_identity_keys``) older rows are found under an older key's hash.
    """
    keys = [hashlib.sha256(b"tributary-identifier-digest" + key.encode()).digest() for key in settings.IDENTITY_KEYS]
    return [hmac.new(key, text.strip().upper().encode(), hashlib.sha256).hexdigest() for key in keys]


def digest(text: str) -> str:
    """Return the keyed hash of an identifier that is to be stored: the newest key's. To find, use :func:`digests`."""
    return digests(text)[0]


class EncryptedTextField(models.TextField):
    """Text that is encrypted on its way into the database and decrypted on its way out.

    It cannot be filtered or ordered by; a digest column beside it serves for finding. Reading it is noted.
    """

    descriptor_class = NotedAttribute

    def get_prep_value(self, value: Any) -> Any:
        """Encrypt."""
        return None if value is None else cipher().encrypt(str(value).encode()).decode()

    def from_db_value(self, value: str | None, *_: Any) -> str | None:
        """Decrypt; a wrong key is a fault of the set-up and is said as such."""
        if value is None:
            return None
        try:
            return cipher().decrypt(value.encode()).decode()
        except InvalidToken:
            raise ImproperlyConfigured(
                "TRIBUTARY_IDENTITY_KEYS does not contain the key that encrypted these records."
            ) from None

    def get_lookup(self, lookup_name: str) -> Any:
        """Allow only the test for missing: the same text never encrypts to the same ciphertext twice."""
        return super().get_lookup(lookup_name) if lookup_name == "isnull" else None
