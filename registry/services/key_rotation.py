"""Encrypting and hashing identifiers again with the newest key.

The content of a record does not change, so the change trail gets no link; it never held the identifiers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from allauth.mfa.models import Authenticator
from cryptography.fernet import Fernet, InvalidToken
from django.apps import apps
from django.conf import settings
from django.db import models, transaction
from django.db.models.functions import Cast

from registry.errors import RuleBroken
from registry.models.encrypted import EncryptedTextField, cipher, digest


@dataclass
class Rotated:
    """How many rows were rewritten, and how many already had the newest key."""

    renewed: int = 0
    current: int = 0


def _encrypted_fields(model: type[models.Model]) -> list[models.Field[Any, Any]]:
    return [field for field in model._meta.concrete_fields if isinstance(field, EncryptedTextField)]


def rotate(*, batch: int) -> Rotated:
    """Rewrite every row that an older key can read, some rows in each transaction.

    Breaking it off leaves some rows under the new and some under the old key; both are read and found while both keys
    are configured, and the next run goes on with the rest.

    Raises
    ------
    RuleBroken
        When a row cannot be read with any of the keys; the batches before it have been rewritten, its own is unchanged.
    """
    done = Rotated()
    for model in apps.get_models():
        if fields := _encrypted_fields(model):
            last = None
            while (last := _rotate_batch(model, fields, last, batch, done)) is not None:
                pass
    _rotate_second_factors(done)
    return done


# Where the log-in library keeps a secret inside its JSON; passkeys hold public keys only and are not encrypted.
_SECRETS = {Authenticator.Type.TOTP: "secret", Authenticator.Type.RECOVERY_CODES: "seed"}


@transaction.atomic
def _rotate_second_factors(done: Rotated) -> None:
    """Rewrite the secrets of authenticator apps and recovery codes; there are at most two for each person."""
    newest = Fernet(settings.IDENTITY_KEYS[0])
    for factor in Authenticator.objects.select_for_update(no_key=True).filter(type__in=_SECRETS):
        name = _SECRETS[Authenticator.Type(factor.type)]
        stored = factor.data[name]
        if _made_with(newest, stored):
            done.current += 1
            continue
        try:
            factor.data[name] = cipher().rotate(stored.encode()).decode()
        except InvalidToken:
            raise RuleBroken(
                f"The second factor {factor.pk} cannot be read with the keys in TRIBUTARY_IDENTITY_KEYS; "
                "add the key that encrypted it and start again."
            ) from None
        factor.save(update_fields=["data"])
        done.renewed += 1


@transaction.atomic
def _rotate_batch(
    model: type[models.Model], fields: list[models.Field[Any, Any]], last: Any, batch: int, done: Rotated
) -> Any:
    """Rewrite one batch, after the key ``last``. Returns the last key, or none when there was nothing left."""
    rows = model._default_manager.select_for_update(no_key=True).order_by("pk")
    if last is not None:
        rows = rows.filter(pk__gt=last)
    hashed = {field.name for field in model._meta.concrete_fields if field.name.endswith("_digest")}
    ciphers = {f"raw_{field.name}": Cast(field.name, models.TextField()) for field in fields}
    # Locked first: a correction that comes in between must not be overwritten with what was read before it.
    keys = list(rows.values_list("pk", flat=True)[:batch])
    newest = Fernet(settings.IDENTITY_KEYS[0])
    for row in model._default_manager.filter(pk__in=keys).annotate(**ciphers).values("pk", *hashed, *ciphers):
        fresh: dict[str, Any] = {}
        for field in fields:
            stored = row[f"raw_{field.name}"]
            if stored is None:
                continue
            try:
                text = cipher().decrypt(stored.encode()).decode()
            except InvalidToken:
                raise RuleBroken(
                    f"{model._meta.verbose_name} {row['pk']} cannot be read with the keys in TRIBUTARY_IDENTITY_KEYS; "
                    "add the key that encrypted it and start again."
                ) from None
            if not _made_with(newest, stored):
                fresh[field.name] = text
            name = f"{field.name}_digest"
            if name in hashed and row[name] != digest(text):
                fresh[name] = digest(text)
        if fresh:
            model._default_manager.filter(pk=row["pk"]).update(**fresh)
            done.renewed += 1
        else:
            done.current += 1
    return keys[-1] if keys else None


def _made_with(key: Fernet, stored: str) -> bool:
    try:
        key.decrypt(stored.encode())
    except InvalidToken:
        return False
    return True
