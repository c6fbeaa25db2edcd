"""Entries of a tablet: how each kind of record is shown to the page, found again and written. No kind is named here
but the two that are entered in a way of their own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast
from uuid import UUID

from rest_framework import serializers

from procedures.described import Bedside, SessionKind
from procedures.kinds import KINDS
from procedures.kinds.epochs import EPOCH_METRIC
from procedures.kinds.sessions import SESSION
from procedures.models import Epoch, EpochMetric, Origin, Session
from procedures.services.bedside import Removed
from procedures.services.epochs import TypedMetric, enter_metrics
from registry.api.building import answered_by, taken_by
from registry.api.fields import AmendmentReason, Confirmed, FiniteFloatField, Reference
from registry.api.serializers import KnownFieldsOnly
from registry.models import Record, User

# Filled in by the server from what is stored when a tablet leaves them out, so that they need never be on it.
_KEPT_OFF_THE_TABLET = ("patient", "notes")
_NOT_OF_THE_RECORD = ("version", "session", "confirmed", "amendment_reason")


@dataclass(frozen=True)
class Entry:
    """A kind of record as a tablet enters it, under a key."""

    kind: SessionKind
    bedside: Bedside

    def fields(self) -> list[str]:
        """Return the fields an entry carries: all of the record, since it is written as a whole."""
        return [str(name) for name in taken_by(self.kind)().fields if name not in _NOT_OF_THE_RECORD]

    def shown(self, record: Any) -> dict[str, Any]:
        """Return a record as the page keeps it."""
        data = dict(answered_by(self.kind)(record).data)
        data["key"] = data.pop("id")
        data.pop("session", None)
        return data

    def find(self, session: Session, key: str) -> Any:
        """Return the stored record of a key, or nothing."""
        return self.kind.of_session(session).filter(pk=_record_key(key)).first()

    def twin(self, session: Session, key: str, payload: Mapping[str, Any]) -> Any:
        """Return the record of another key that is the same thing, or nothing."""
        fields = {name: cast(Any, self.kind.model._meta.get_field(name)) for name in self.bedside.once}
        wanted = {name: payload.get(name, field.get_default()) for name, field in fields.items()}
        if not wanted or not all(isinstance(value, str | int) for value in wanted.values()):
            return None
        return self.kind.of_session(session).filter(**wanted).exclude(pk=key).first()

    def write(
        self, *, by: User, session: Session, key: str, version: int | None, payload: Mapping[str, Any], context: Any
    ) -> Record:
        """Read an entry as the API does, and write it through the kind's service."""
        pk = _record_key(key)
        sent = taken_by(self.kind)(data=self._complete(session, payload), context=context)
        sent.is_valid(raise_exception=True)
        values = dict(sent.validated_data)
        values.pop("version", None)
        site = values.get("site")
        if "session" not in values and site is not None and site.session_id != session.pk:
            raise type(site).DoesNotExist
        if not self.kind.of_session(session).filter(pk=pk).exists():
            if pk.version != 7:
                raise serializers.ValidationError({"key": ["A new record needs a UUID of version 7 as its key."]})
            if self.kind.records().filter(pk=pk).exists():
                raise self.kind.model.DoesNotExist
            if version is not None:
                raise Removed("This has been taken back. Enter it again, or leave it out.")
        return self.kind.write(by=by, key=pk, version=version, values=values)

    def _complete(self, session: Session, payload: Mapping[str, Any]) -> dict[str, Any]:
        return {**payload, "session": str(session.pk)} if "session" in self.kind.fields else dict(payload)


class _SessionEntry(Entry):
    """The session itself: what a tablet leaves out stays as it is."""

    def fields(self) -> list[str]:
        """Return none: what is not sent stays."""
        return []

    def shown(self, record: Session) -> dict[str, Any]:
        """Return the session without what a tablet has no need of."""
        return {name: value for name, value in super().shown(record).items() if name not in _KEPT_OFF_THE_TABLET}

    def _complete(self, session: Session, payload: Mapping[str, Any]) -> dict[str, Any]:
        # Read again: an entry before this one in the same batch may have changed it.
        stored = answered_by(self.kind)(self.kind.of_session(session).get()).data
        return {name: stored[name] for name in self.kind.fields} | dict(payload) | {"patient": str(session.patient_id)}


class _EnteredMetric(KnownFieldsOnly):
    """One metric typed for an epoch."""

    epoch = Reference(Epoch, "session__centre")
    metric = serializers.CharField(max_length=40)
    mean = FiniteFloatField()
    sd = FiniteFloatField(required=False, allow_null=True, default=None, min_value=0)
    beats = serializers.IntegerField(required=False, allow_null=True, default=None, min_value=1, max_value=1_000_000)
    confirmed = Confirmed()
    amendment_reason = AmendmentReason()


class _MetricEntry(Entry):
    """Metrics typed for an epoch; their key is ``<epoch>/<metric>``, since nobody mints one."""

    def fields(self) -> list[str]:
        """Return the fields of a typed metric."""
        return ["epoch", "metric", "mean", "sd", "beats"]

    def shown(self, record: EpochMetric) -> dict[str, Any]:
        """Return the metric under its key."""
        data = super().shown(record)
        metric = data["metric"] = record.key
        tail = "" if record.origin == Origin.ENTERED else f"/{record.origin}"
        return data | {"key": f"{record.epoch_id}/{metric}{tail}"}

    def find(self, session: Session, key: str) -> Any:
        """Return the entered metric of a key."""
        epoch, _, metric = key.partition("/")
        return self.kind.of_session(session).filter(epoch=_record_key(epoch), key=metric, origin=Origin.ENTERED).first()

    def write(
        self, *, by: User, session: Session, key: str, version: int | None, payload: Mapping[str, Any], context: Any
    ) -> Record:
        """Write one metric."""
        sent = _EnteredMetric(data=payload, context=context)
        sent.is_valid(raise_exception=True)
        values = sent.validated_data
        epoch: Epoch = values["epoch"]
        if epoch.session_id != session.pk:
            raise Epoch.DoesNotExist
        if key != f"{epoch.pk}/{values['metric']}":
            raise serializers.ValidationError({"key": ["The key of a typed metric is its epoch and its name."]})
        typed = TypedMetric(values["mean"], values["sd"], values["beats"], version)
        return enter_metrics(
            by=by,
            epoch=epoch,
            metrics={values["metric"]: typed},
            confirmed=values["confirmed"],
            reason=values["amendment_reason"],
        )[0]


def _record_key(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise serializers.ValidationError({"key": ["Give the key of a record."]}) from None


_IN_THEIR_OWN_WAY: dict[SessionKind, type[Entry]] = {SESSION: _SessionEntry, EPOCH_METRIC: _MetricEntry}
ENTRIES: dict[str, Entry] = {
    kind.bedside.name: _IN_THEIR_OWN_WAY.get(kind, Entry)(kind, kind.bedside) for kind in KINDS if kind.bedside
}
