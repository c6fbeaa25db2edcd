"""Merging two codes of one person, and undoing it."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import Any

from django.apps import apps
from django.db import transaction
from django.utils import timezone

from registry.access import Right, require
from registry.days import in_words
from registry.errors import RuleBroken
from registry.identity.merged import owned_by_patients
from registry.models import Consent, Patient, PatientMerge, User
from registry.models.merge import PairApart
from registry.services.records import change, put


def _locked_pair(first: Patient, second: Patient) -> tuple[Patient, Patient]:
    rows = {row.pk: row for row in Patient.objects.select_for_update(no_key=True).filter(pk__in=[first.pk, second.pk])}
    return rows[first.pk], rows[second.pk]


def _reason(reason: str) -> str:
    if not reason.strip():
        raise RuleBroken("Enter the reason.", fields={"reason": ["Enter the reason."]})
    return reason.strip()


@transaction.atomic
def merge_patients(*, by: User, kept: Patient, merged: Patient, reason: str) -> PatientMerge:
    """Move everything that belongs to one code to the other. Nothing is deleted; both rows and identifiers stay.

    What the kept patient has already, such as the same consent of the same day, stays with the merged code; a
    withdrawal of such a consent is written to the kept patient's, because a consent taken back must not come back.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When it is the same patient or another centre's, one is merged already, or only the merged one has died.
    """
    require(by, kept.centre_id, Right.OVERSEE_IDENTITY)
    reason = _reason(reason)
    if kept.pk == merged.pk or kept.centre_id != merged.centre_id:
        raise RuleBroken("Choose two different patients of one centre.")
    kept, merged = _locked_pair(kept, merged)
    for one in (kept, merged):
        if one.merged_into_id:
            raise RuleBroken(f"{one.code} has already been merged into another code.")
    if merged.died_on and merged.died_on != kept.died_on:
        raise RuleBroken(
            f"{merged.code} has the date of death {in_words(merged.died_on)}, {kept.code} has "
            f"{in_words(kept.died_on) if kept.died_on else 'none'}. Correct the date for {kept.code} first."
        )
    moved: dict[str, list[str]] = defaultdict(list)
    for model in owned_by_patients():
        for row in model._default_manager.select_for_update(no_key=True).filter(patient=merged).order_by("pk"):
            try:
                _move(row, kept, by=by, reason=reason)
            except RuleBroken:
                continue
            moved[model._meta.label_lower].append(str(row.pk))
    withdrawn = _take_over_withdrawals(kept, merged, by=by, reason=reason)
    change(merged, by=by, centre_id=kept.centre_id, values={"merged_into": kept}, version=None, reason=reason)
    values = {"merged_by": by, "merged_at": timezone.now(), "reason": reason, "moved": dict(moved)}
    values["withdrawn"] = withdrawn
    scope = {"centre": kept.centre, "kept": kept, "merged": merged}
    record, _ = put(PatientMerge, by=by, centre_id=kept.centre_id, values=values, scope=scope, reason=reason)
    return record


def _move(row: Any, to: Patient, *, by: User, reason: str) -> None:
    """Move one row under a savepoint: a rule of the table may refuse it without ending the whole."""
    with transaction.atomic():
        change(row, by=by, centre_id=to.centre_id, values={"patient": to}, version=None, reason=reason)


def _take_over_withdrawals(kept: Patient, merged: Patient, *, by: User, reason: str) -> dict[str, list[str | None]]:
    """Withdraw what the kept patient has of the merged code's withdrawn consents; the earlier day counts.

    Returns the days before and after by the key of the consent.
    """
    taken: dict[str, list[str | None]] = {}
    for theirs in Consent.objects.filter(patient=merged, withdrawn_on__isnull=False):
        same = {"scope": theirs.scope, "given_on": theirs.given_on}
        for ours in Consent.objects.select_for_update(no_key=True).filter(patient=kept, **same):
            before, after = ours.withdrawn_on, theirs.withdrawn_on
            if after is None or (before is not None and before <= after):
                continue
            taken[str(ours.pk)] = [before.isoformat() if before else None, after.isoformat()]
            values = {"withdrawn_on": after}
            change(ours, by=by, centre_id=kept.centre_id, values=values, version=None, reason=reason)
    return taken


def _give_back_withdrawals(merge: PatientMerge, *, by: User, reason: str) -> None:
    """Put back the days of withdrawal that a merge changed and nobody corrected since."""
    for consent in Consent.objects.select_for_update(no_key=True).filter(pk__in=merge.withdrawn).order_by("pk"):
        before, after = (day and dt.date.fromisoformat(day) for day in merge.withdrawn[str(consent.pk)])
        if consent.withdrawn_on == after:
            values = {"withdrawn_on": before}
            change(consent, by=by, centre_id=merge.centre_id, values=values, version=None, reason=reason)


@transaction.atomic
def undo_merge(*, by: User, merge: PatientMerge, reason: str) -> PatientMerge:
    """Move everything back that a merge moved. What was entered for the kept patient since stays there.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When it is undone already, or a later merge stands on it.
    """
    require(by, merge.centre_id, Right.OVERSEE_IDENTITY)
    reason = _reason(reason)
    merge = PatientMerge.objects.select_for_update(no_key=True).get(pk=merge.pk)
    kept, merged = _locked_pair(merge.kept, merge.merged)
    if merge.undone_at:
        raise RuleBroken("This merge has already been undone.")
    if kept.merged_into_id:
        raise RuleBroken(f"{kept.code} was itself merged later. Undo that merge first.")
    for label, keys in merge.moved.items():
        rows = apps.get_model(label)._default_manager.select_for_update(no_key=True)
        for row in rows.filter(pk__in=keys, patient=kept).order_by("pk"):
            change(row, by=by, centre_id=merge.centre_id, values={"patient": merged}, version=None, reason=reason)
    _give_back_withdrawals(merge, by=by, reason=reason)
    change(merged, by=by, centre_id=merge.centre_id, values={"merged_into": None}, version=None, reason=reason)
    undone = {"undone_by": by, "undone_at": timezone.now(), "undone_reason": reason}
    return change(merge, by=by, centre_id=merge.centre_id, values=undone, version=None, reason=reason)


def keep_apart(*, by: User, first: Patient, second: Patient, reason: str) -> PairApart:
    """Record that two patients are two people.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When they are not two of one centre.
    """
    require(by, first.centre_id, Right.OVERSEE_IDENTITY)
    if first.pk == second.pk or first.centre_id != second.centre_id:
        raise RuleBroken("Choose two different patients of one centre.")
    first, second = sorted((first, second), key=lambda patient: patient.pk)
    stored = PairApart.objects.filter(first=first, second=second).first()
    record, _ = put(
        PairApart,
        by=by,
        centre_id=first.centre_id,
        values={"judged_by": by, "reason": _reason(reason)},
        scope={"centre": first.centre, "first": first, "second": second},
        key=stored.pk if stored else None,
        version=stored.version if stored else None,
    )
    return record
