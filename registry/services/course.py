"""Writing what happens to a patient: assessments, consents, parts, checks, adverse events."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.db import transaction

from registry.access import Right, require
from registry.clinical.quantities import unusual
from registry.errors import NeedsConfirmation
from registry.identity.merged import refuse_merged
from registry.models import AdverseEvent, Assessment, Consent, Device, DeviceCheck, Patient, User
from registry.services.records import put


@transaction.atomic
def _put(
    model: Any,
    *,
    by: User,
    patient: Patient,
    key: UUID | None,
    version: int | None,
    values: Mapping[str, Any],
) -> Any:
    require(by, patient.centre_id, Right.WRITE_REGISTRY)
    refuse_merged(patient)
    record, _ = put(
        model,
        by=by,
        centre_id=patient.centre_id,
        values=values,
        scope={"patient": patient},
        key=key,
        version=version,
    )
    return record


@transaction.atomic
def _put_measured(model: Any, *, confirmed: bool, values: Mapping[str, Any], **about: Any) -> Any:
    """Write a record of measured numbers; one outside its usual range needs a confirmation, which is kept.

    Raises
    ------
    NeedsConfirmation
        When a value is unusual and ``confirmed`` is not set. Said last: what cannot be stored at all comes first.
    """
    found = unusual(values)
    record = _put(model, values=dict(values) | {"confirmed_unusual": sorted(found)}, **about)
    if found and not confirmed:
        raise NeedsConfirmation("Some values are unusual. Confirm them if they are correct.", fields=found)
    return record


def put_assessment(
    *,
    by: User,
    patient: Patient,
    key: UUID | None = None,
    version: int | None = None,
    confirmed: bool = False,
    **values: Any,
) -> Assessment:
    """Write an assessment; fields as in the model, anything left out stays missing."""
    return _put_measured(
        Assessment, by=by, patient=patient, key=key, version=version, confirmed=confirmed, values=values
    )


def put_device_check(
    *,
    by: User,
    patient: Patient,
    key: UUID | None = None,
    version: int | None = None,
    confirmed: bool = False,
    **values: Any,
) -> DeviceCheck:
    """Write a device check; anything left out stays missing."""
    return _put_measured(
        DeviceCheck, by=by, patient=patient, key=key, version=version, confirmed=confirmed, values=values
    )


def put_consent(
    *, by: User, patient: Patient, key: UUID | None = None, version: int | None = None, **values: Any
) -> Consent:
    """Write a consent, or its withdrawal."""
    return _put(Consent, by=by, patient=patient, key=key, version=version, values=values)


def put_device(
    *, by: User, patient: Patient, key: UUID | None = None, version: int | None = None, **values: Any
) -> Device:
    """Write an implanted generator or lead, or that it was taken out of service."""
    return _put(Device, by=by, patient=patient, key=key, version=version, values=values)


def put_adverse_event(
    *, by: User, patient: Patient, key: UUID | None = None, version: int | None = None, **values: Any
) -> AdverseEvent:
    """Write an adverse event."""
    return _put(AdverseEvent, by=by, patient=patient, key=key, version=version, values=values)
