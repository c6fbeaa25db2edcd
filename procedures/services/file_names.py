"""The name of an uploaded file, without what names its patient."""

from __future__ import annotations

import re
import unicodedata
from pathlib import PurePath

from procedures.models import Session
from registry.models import PatientIdentity

LONGEST = 200
# Shorter words stand in names of files by chance: only a whole word counts then.
_TELLING = 5


def kept_name(session: Session, original_name: str, plain: str) -> str:
    """Return a file's own name, or ``plain`` with its ending where it names the session's patient.

    Names of files stand in the clear in the database, in amendments and in the change trail, which keeps them for good.
    """
    name = PurePath(original_name.replace("\\", "/")).name[:LONGEST]
    identity = PatientIdentity.objects.filter(patient=session.patient_id).first()
    if identity is None or not _names(name, identity.__dict__):  # past the attributes that note a look
        return name
    return f"{plain}{PurePath(name).suffix}"


def _names(name: str, identity: dict[str, str]) -> bool:
    told = _plain(PurePath(name).stem)
    words, joined = set(re.findall(r"[^\W\d_]+|\d+", told)), re.sub(r"[\W_]+", "", told)
    for part in re.findall(r"[^\W\d_]{2,}", _plain(f"{identity['family_name']} {identity['given_name']}")):
        if part in words or (len(part) >= _TELLING and part in joined):
            return True
    number = re.sub(r"[\W_]+", "", _plain(identity["local_identifier"]))
    year, month, day = identity["birth_date"].split("-")
    telling = [number, year + month + day, day + month + year, month + day + year]
    return any(len(one) >= _TELLING and one in joined for one in telling) or number in words


def _plain(text: str) -> str:
    """Lower case without accents."""
    letters = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in letters if not unicodedata.combining(letter))
