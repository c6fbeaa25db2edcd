"""The one way a record is written: checked, versioned, idempotent by key, and with its line in the change trail."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar
from uuid import UUID

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import IntegrityError, models, transaction

from registry.errors import Conflict, RuleBroken
from registry.models import Record, User
from registry.models.base import new_key
from registry.models.constraints import FIELD_CODE
from registry.numbers.outside import impossible
from registry.trail import record as trail

R = TypeVar("R", bound=Record)


def _save(record: Record, *, new: bool) -> None:
    """Write the row and let the database judge it; only when it refuses are its rules gone through for the wording.

    Asking every rule beforehand would cost a query a constraint on each write.

    Raises
    ------
    RuleBroken
        With the messages by field.
    """
    refuse_nul(record)
    refuse_impossible(record)
    foreign = [field.name for field in record._meta.concrete_fields if field.is_relation]
    try:
        record.clean_fields(exclude=foreign)
        with transaction.atomic():
            record.save(force_insert=new, force_update=not new)
    except ValidationError as error:
        raise _in_words(error) from None
    except IntegrityError:
        try:
            record.full_clean()
        except ValidationError as error:
            raise _in_words(error) from None
        raise


def refuse_nul(record: models.Model) -> None:
    """Refuse the NUL character, which PostgreSQL cannot keep in a text; the same on both databases."""
    for field in record._meta.concrete_fields:
        if has_nul(record.__dict__.get(field.attname)):
            message = "The text has an invalid character (NUL). Type the text again."
            raise RuleBroken(message, fields={field.name: [message]})


def refuse_impossible(record: models.Model) -> None:
    """Refuse what no page could show again: a number that is not finite, a year far from ours."""
    for field in record._meta.concrete_fields:
        if message := impossible(record.__dict__.get(field.attname)):
            raise RuleBroken(message, fields={field.name: [message]})


def has_nul(value: Any) -> bool:
    """Say whether a NUL character stands anywhere in a value."""
    if isinstance(value, str):
        return "\0" in value
    if isinstance(value, dict):
        return any(has_nul(part) for pair in value.items() for part in pair)
    return isinstance(value, list | tuple) and any(has_nul(part) for part in value)


def _in_words(error: ValidationError) -> RuleBroken:
    fields: dict[str, list[str]] = {}
    for name, errors in error.error_dict.items():
        for one in errors:
            code = one.code or ""
            place = code.removeprefix(FIELD_CODE) if code.startswith(FIELD_CODE) else name
            fields.setdefault("" if place == NON_FIELD_ERRORS else place, []).extend(one.messages)
    return RuleBroken("Your entry needs correcting.", fields=fields)


@transaction.atomic
def put(
    model: type[R],
    *,
    by: User | None,
    centre_id: UUID,
    values: Mapping[str, Any],
    scope: Mapping[str, Any],
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> tuple[R, bool]:
    """Create the record, or change it if its key is known. Returns the record and whether it is new.

    The same key with the same values again is a replay and changes nothing. ``scope`` holds the fields that say whose
    record it is; a known key under another owner is "not found".

    Raises
    ------
    RuleBroken
        When a field or constraint refuses the values.
    Conflict
        When the record changed since the version the writer saw, or a version is given and there is no record.
    ObjectDoesNotExist
        When the key belongs to somebody else's record.
    """
    stored = model._default_manager.select_for_update(no_key=True).filter(pk=key).first() if key else None
    if stored is None and version:
        message = "There is no such record (any more). Send a new record without a version."
        raise Conflict(message, yours={name: str(value) for name, value in values.items()}, stored={})
    if stored is None:
        record = model(id=key or new_key(), **scope, **values)
        try:
            _save(record, new=True)
        except (RuleBroken, IntegrityError):
            # Another writer may have used the key since it was looked for; then this is a replay or a conflict.
            stored = model._default_manager.select_for_update(no_key=True).filter(pk=key).first() if key else None
            if stored is None:
                raise
        else:
            trail.write(centre_id=centre_id, by=by, action="created", record=record, reason=reason)
            return record, True
    if any(getattr(stored, name) != owner for name, owner in scope.items()):
        raise model.DoesNotExist(f"{model._meta.verbose_name} {key} was not found.")
    # A known key without the version it was read at is either a replay or a collision, never an edit.
    changed = change(stored, by=by, centre_id=centre_id, values=values, version=version or 0, reason=reason)
    return changed, False


@transaction.atomic
def change(
    record: R,
    *,
    by: User | None,
    centre_id: UUID,
    values: Mapping[str, Any],
    version: int | None,
    reason: str = "",
) -> R:
    """Change a stored record under its version; ``version=None`` is for callers that hold the row's lock themselves.

    Raises
    ------
    RuleBroken, Conflict
        As for :func:`put`.
    """
    if all(getattr(record, name) == value for name, value in values.items()):
        return record
    if version is not None and version != record.version:
        names = list(values)
        raise Conflict(
            "Somebody else has changed this since you opened it.",
            yours={name: str(values[name]) for name in names},
            stored={name: str(getattr(record, name)) for name in names} | {"version": record.version},
        )
    old = trail.state_of(record)
    for name, value in values.items():
        setattr(record, name, value)
    record.version += 1
    _save(record, new=False)
    trail.write(centre_id=centre_id, by=by, action="changed", record=record, old=old, reason=reason)
    return record


@transaction.atomic
def remove(record: Record, *, by: User | None, centre_id: UUID, reason: str = "") -> None:
    """Delete a record; what it held stays in the change trail."""
    trail.write(centre_id=centre_id, by=by, action="deleted", record=record, old=trail.state_of(record), reason=reason)
    record.delete()
