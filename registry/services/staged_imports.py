"""Tables under way or loaded that may hold something of a patient who is erased."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.utils import timezone

from registry.importing.table import TableError
from registry.models import Centre, Change, ImportPiece, ImportState, Patient, PatientIdentity, TableImport
from registry.selectors.imports import table_of
from registry.trail.content import contents, keys_for

_FORGOTTEN = "(erased)"


@dataclass(frozen=True)
class Mentions:
    """Imports whose file is still kept and mentions the patient, and loaded ones that the patient came with."""

    staged: tuple[UUID, ...] = ()
    loaded: tuple[UUID, ...] = ()


def mentions_of(centre: Centre, patients: Collection[UUID]) -> Mentions:
    """Return the imports of the centre that concern these patients. Reads files, so call it before locking."""
    needles = _needles(patients)
    kept = set(ImportPiece.objects.filter(table_import__centre=centre).values_list("table_import", flat=True))
    staged, loaded = [], set(_loaded_with(centre, patients))
    for run in TableImport.objects.filter(centre=centre).order_by("pk"):
        if run.pk in kept and _mentions(run, needles):
            staged.append(run.pk)
        elif any(needle in text.casefold() for needle in needles for text in (run.original_name, run.look, run.plan)):
            loaded.add(run.pk)
    return Mentions(tuple(staged), tuple(sorted(loaded)))


def forget_mentions(mentions: Mentions) -> int:
    """Throw kept files away, and forget what loaded ones were called and held. Returns how many imports changed."""
    ImportPiece.objects.filter(table_import__in=mentions.staged).delete()
    blank = {"original_name": _FORGOTTEN, "look": "{}", "plan": "{}", "sheet": ""}
    staged = TableImport.objects.filter(pk__in=mentions.staged)
    staged.update(state=ImportState.DISCARDED, finished_at=timezone.now(), **blank)
    TableImport.objects.filter(pk__in=mentions.loaded).update(**blank)
    return len(mentions.staged) + len(mentions.loaded)


def _needles(patients: Collection[UUID]) -> set[str]:
    """Return what a table would say of the person: codes, hospital numbers and names, as they are compared."""
    words = set(Patient.objects.filter(pk__in=patients).values_list("code", flat=True))
    for one in PatientIdentity.objects.filter(pk__in=patients):
        words |= {one.local_identifier, one.family_name}
    return {" ".join(word.split()).casefold() for word in words if word.strip()}


def _mentions(run: TableImport, needles: set[str]) -> bool:
    """Say whether a kept table mentions the person; one that cannot be read may."""
    try:
        table = table_of(run)
        return any(
            " ".join(str(cell).split()).casefold() in needles for _, cells in table.rows for cell in cells if cell
        )
    except TableError:
        return True


def _loaded_with(centre: Centre, patients: Collection[UUID]) -> list[UUID]:
    """Return the imports that made records of these patients, as the links of the records say."""
    links = list(Change.objects.filter(centre_id=centre.pk, record_type="registry.patient", record_id__in=patients))
    keys, found = keys_for(links), []
    for change in links:
        try:
            word, _, key = contents(change, keys).get("reason", "").partition(" ")
            found += [UUID(key)] if word == "import" else []
        except ValueError:
            continue
    return found
