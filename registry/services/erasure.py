"""Erasing a patient: everything that tells of the person goes, and the change trail stays verifiable.

What the trail holds of the patient is sealed under the patient's key, which is destroyed. Links that it does not seal,
such as those written before links were sealed, are blanked; the link of the erasure keeps a digest of what is left of
each.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from uuid import UUID

from django.db import IntegrityError, connection, models, transaction

from registry.access import Right, require
from registry.erasing import STORES
from registry.errors import RuleBroken
from registry.models import Centre, Patient, PatientKey, User
from registry.selectors.erasing import links_to_blank, may_blank, models_of_patients, rows_of, stands_for
from registry.selectors.erasures import Erasure, is_back, noted_erasures
from registry.services.erasure_list import note_erasure
from registry.services.staged_imports import Mentions, forget_mentions, mentions_of
from registry.trail import record as trail
from registry.trail.content import BLANK
from registry.trail.erasures import ACTION, left_of, told

APPLIED_AGAIN = "Applied again after a restore"


class ErasureReason(models.TextChoices):
    """Why a patient is erased. A choice, no text: a text could hold a name, and this link stays readable."""

    REQUEST = "request", "The patient asked for it"
    WITHDRAWN = "withdrawn", "The patient withdrew the consent to the registry"
    ORDER = "order", "An authority or court ordered it"
    NOT_A_PATIENT = "not_a_patient", "Registered by mistake"


@dataclass
class Erased:
    """What went: rows by kind, files, staged imports that were thrown away, and links that were blanked."""

    rows: dict[str, int] = field(default_factory=dict)
    files: int = 0
    imports: int = 0
    links: int = 0


def erase_patient(*, by: User, patient: Patient, reason: str, code_again: str) -> Erased:
    """Erase a patient, with every code that was merged into this one. It cannot be undone.

    Only a clinical lead may: the one who answers for the centre's records and may see who a code stands for.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When no reason is given, the code typed again is another one, or the code was merged into another.
    """
    require(by, patient.centre_id, Right.ERASE_PATIENTS)
    refuse_erasure(patient, reason=reason, code_again=code_again)
    try:
        return _erase(patient.centre, stands_for(patient), by=by, reason=ErasureReason(reason).label)
    except IntegrityError:
        raise RuleBroken("Somebody is writing to this patient at the moment. Nothing was erased. Try again.") from None


def refuse_erasure(patient: Patient, *, reason: str, code_again: str) -> None:
    """Refuse what :func:`erase_patient` refuses before it looks at the records.

    Raises
    ------
    RuleBroken
        When no reason is given, the code typed again is another one, or the code was merged into another.
    """
    if reason not in ErasureReason.values:
        raise RuleBroken(f"Give one of these reasons: {', '.join(ErasureReason.values)}.")
    if code_again != patient.code:
        message = "The code typed again is not the patient's code. Nothing was erased."
        raise RuleBroken(message, fields={"code_again": [message]})
    if patient.merged_into_id:
        raise RuleBroken(f"{patient.code} was merged into another code. Erase that one, or undo the merge first.")


def apply_erasures() -> list[Erased]:
    """Erase again the patients on the list who are back, as after the restore of an earlier backup.

    Raises
    ------
    RuleBroken
        When the list was changed.
    """
    applied = []
    for one in noted_erasures():
        centre = Centre.objects.filter(pk=one.centre).first()
        if centre is not None and is_back(one):
            applied.append(_erase(centre, one.patients, by=None, reason=APPLIED_AGAIN, noted=True))
        for store, names in one.files.items():
            for name in names if store in STORES else ():
                STORES[store].remove(name)
    return applied


def _erase(centre: Centre, patients: Collection[UUID], *, by: User | None, reason: str, noted: bool = False) -> Erased:
    mentions = mentions_of(centre, patients)
    with transaction.atomic():
        # Held until the end; what somebody else is adding at this moment makes the deletion fail as a whole.
        list(Patient.objects.select_for_update(no_key=True).filter(pk__in=patients).order_by("pk"))
        erased, files = _erase_rows(centre, patients, mentions, by=by, reason=reason)
        if connection.vendor == "postgresql":
            # Now rather than at the commit: the list must not name an erasure that then fails.
            connection.check_constraints()
        if not noted:
            note_erasure(Erasure(centre.pk, tuple(patients), reason, files))
        transaction.on_commit(lambda: _remove_files(files))
    return erased


def _erase_rows(
    centre: Centre, patients: Collection[UUID], mentions: Mentions, *, by: User | None, reason: str
) -> tuple[Erased, dict[str, list[str]]]:
    erased = Erased(imports=forget_mentions(mentions))
    files = {store.name: sorted(set(store.of_patients(patients))) for store in STORES.values()}
    erased.files = sum(map(len, files.values()))
    links = links_to_blank(centre.pk, patients)
    if links and not may_blank():
        raise RuleBroken(
            "Part of this patient's change history is too old to be erased from this page. Nothing was erased. "
            "Ask the person who runs the service to erase the patient with the command erase_patient."
        )
    persons = [Patient(pk=key, centre=centre) for key in patients]
    Patient.objects.filter(pk__in=patients).update(merged_into=None)
    for model in models_of_patients():
        gone, _ = rows_of(model, patients).delete()
        if gone:
            erased.rows[model._meta.label_lower] = gone
    PatientKey.objects.filter(pk__in=patients).delete()
    erased.links = len(links)
    for person in persons:
        # The first of them vouches for all links that are blanked.
        left = {change.sequence: left_of(change) for change in links} if person is persons[0] else {}
        content = told(person.pk, left)
        trail.append(
            centre_id=centre.pk, by=by, action=ACTION, record=person, content=content, reason=reason, clear=True
        )
    for change in links:
        type(change).objects.filter(pk=change.pk).update(values=BLANK, reason="")
    return erased, files


def _remove_files(files: dict[str, list[str]]) -> None:
    """Remove the files, then what failed writes left behind in the stores."""
    for store, names in files.items():
        for name in names:
            STORES[store].remove(name)
    for one in STORES.values():
        one.sweep()
