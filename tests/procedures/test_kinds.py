"""Every kind of record is described, and what a description says of its model and its service is true."""

from __future__ import annotations

import inspect

import pytest
from django.apps import apps

from procedures.described import SessionKind
from procedures.kinds import KINDS as OF_SESSIONS
from registry.api.building import taken_by
from registry.described.kind import KINDS
from registry.models import Centre, Patient, Record

# Records that a signature does not cover, and why.
NOT_SIGNED = {
    "Session": "stands first in the signed content by itself",
    "Amendment": "is made after the signature",
    "BedsideEntry": "says how an entry came here; the entry is signed",
    "AnalysisRun": "says how far a computation is; its numbers are signed",
    "Upload": "is a file on its way; once it is here it is a recording",
    "StoredSignals": "another form of a recording, which is signed by its hash",
    "ComparisonRun": "says how far a computation is; its numbers follow from epochs, which are signed",
}
WRITTEN = [kind for kind in KINDS.values() if kind.put is not None and kind.fields]


def test_every_record_of_a_session_is_signed_or_says_why_not() -> None:
    signed = {kind.model.__name__ for kind in OF_SESSIONS if kind.signed_as}
    records = {m.__name__ for m in apps.get_app_config("procedures").get_models() if issubclass(m, Record)}
    assert records - signed == set(NOT_SIGNED)


def test_names_are_given_once() -> None:
    for names in (
        [kind.signed_as for kind in OF_SESSIONS if kind.signed_as],
        [kind.bedside.name for kind in OF_SESSIONS if kind.bedside],
        [kind.bedside.collection for kind in OF_SESSIONS if kind.bedside],
        [kind.api.address for kind in KINDS.values() if kind.api],
    ):
        assert len(names) == len(set(names))


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.key)
def test_paths_lead_to_the_centre_and_the_patient(kind: SessionKind) -> None:
    for path, end in ((kind.centre, Centre), (kind.patient, Patient)):
        model = kind.model
        for step in filter(None, path.split("__")):
            model = model._meta.get_field(step).related_model
        assert model is end, path


@pytest.mark.parametrize("kind", WRITTEN, ids=lambda kind: kind.key)
def test_a_service_takes_what_is_written_of_its_kind(kind: SessionKind) -> None:
    taken = set(taken_by(kind)().fields)
    if "reason" not in kind.fields and "amendment_reason" in taken:
        taken = taken - {"amendment_reason"} | {"reason"}
    arguments = inspect.signature(kind.put).parameters
    anything = any(one.kind is inspect.Parameter.VAR_KEYWORD for one in arguments.values())
    needed = {
        name
        for name, one in arguments.items()
        if one.default is inspect.Parameter.empty and one.kind is inspect.Parameter.KEYWORD_ONLY
    }
    assert anything or taken | {"by", "key"} <= set(arguments)
    assert needed <= taken | {"by", "key"}
    assert {"by", "key", "version"} <= set(arguments) or anything
