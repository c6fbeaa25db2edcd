"""What the entry forms share: the key against doubling, the version against overwriting, confirmation and reason."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils import timezone

from procedures.forms.fields import words
from procedures.models import Session, Status
from registry.forms.refusals import WritingForm
from registry.models import Record, new_key

FROM_PAPER = "Typed from the paper sheet."


class EntryForm(WritingForm):
    """A form that writes one record of a session.

    ``key`` is minted when the empty form is shown, so that the same form sent twice writes once. ``version`` is the
    version that was read; a record changed since then comes back as a conflict.
    """

    key = forms.UUIDField(widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=1)
    confirmed = forms.BooleanField(required=False, label="These unusual values are correct", widget=forms.HiddenInput)
    #: Whether what it enters may have stood on the paper sheet first.
    on_paper = False

    def __init__(
        self,
        data: Mapping[str, Any] | None = None,
        *,
        session: Session,
        record: Record | None = None,
        initial: Mapping[str, Any] | None = None,
        **options: Any,
    ) -> None:
        start = {"key": record.pk if record else new_key(), "version": record.version if record else None}
        super().__init__(data, initial=start | dict(initial or {}), use_required_attribute=False, **options)
        self.session = session
        self.record = record
        if self.on_paper and record is None:
            self.fields["from_paper"] = forms.BooleanField(required=False, label="Typed from the paper sheet")
        if session.status == Status.SIGNED:
            self.fields["amendment_reason"] = words("Reason for changing the signed session", required=True)
            self.fields["amendment_reason"].error_messages["required"] = (
                "Enter the reason for changing the signed session."
            )

    @property
    def guard(self) -> dict[str, Any]:
        """What every writing service takes: key, version and the reason of an amendment."""
        return {
            "key": self.cleaned_data["key"],
            "version": self.cleaned_data["version"],
            "reason": self.why,
        }

    @property
    def why(self) -> str:
        """Why it is written, for the change trail: the reason of an amendment, and that it was on paper first."""
        paper = FROM_PAPER if self.cleaned_data.get("from_paper") else ""
        return f"{paper} {self.cleaned_data.get('amendment_reason', '')}".strip()


def likely_moment(session: Session) -> dt.datetime:
    """Return the time to offer in an empty form: now during the session, else when it ended or began."""
    now = timezone.now().replace(microsecond=0)
    if session.started_at <= now <= session.started_at + dt.timedelta(hours=24):
        return now
    return session.ended_at or session.started_at
