"""Forms of electrocardiograms and of intervals read on them."""

from __future__ import annotations

from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.epochs import BASELINE
from procedures.forms.fields import MomentField, offer, pick
from procedures.models import IntervalKind, IntervalReading, Recording, Session, Site
from registry.forms.fields import NumberField


class StatedForm(EntryForm):
    """A form about baseline or one of the sites reached."""

    state = pick([], "State")

    def __init__(self, data: Any = None, *, session: Session, **options: Any) -> None:
        super().__init__(data, session=session, **options)
        self.sites = {str(site.pk): site for site in session.sites.filter(reached=True)}
        sites = [(key, site.label) for key, site in self.sites.items()]
        offer(self, "state", [("", "Choose"), (BASELINE, "Baseline"), *sites])

    @property
    def site(self) -> Site | None:
        """The site meant; none is baseline."""
        return self.sites.get(self.cleaned_data["state"])


class EcgUploadForm(StatedForm):
    """A stand-alone 12-lead electrocardiogram."""

    file = forms.FileField(
        label="File",
        help_text="DICOM 12-lead ECG, HL7 aECG (XML), a zip with a WFDB record, EDF, or CSV.",
        error_messages={
            "required": "Choose the file of the ECG.",
            "empty": "This file is empty. Choose the file of the ECG.",
            "max_length": "The file name is too long. Use at most 200 characters.",
        },
        max_length=200,
    )
    taken_at = MomentField(
        label="Taken at",
        required=False,
        help_text="Needed if the file does not state it. Use the clock of the session.",
    )


class StretchForm(StatedForm):
    """A stretch of a recording whose electrocardiogram is measured."""

    start_s = NumberField("Start", "s")
    end_s = NumberField("End", "s")

    def clean(self) -> dict[str, Any]:
        """The end comes after the start."""
        data = super().clean() or {}
        start, end = data.get("start_s"), data.get("end_s")
        if start is not None and end is not None and end <= start:
            self.add_error("end_s", "End: enter seconds after the start.")
        return data


class SetAsideForm(EntryForm):
    """Why a measurement does not count."""

    because = forms.CharField(
        label="Reason for setting it aside",
        max_length=200,
        required=False,
        help_text="Leave empty to use this measurement. With a reason it stays visible, and entered or caliper "
        "values are used instead.",
    )


class WithdrawIntervalForm(EntryForm):
    """Why an interval does not count; one that is withdrawn already counts again without a reason."""

    because = forms.CharField(
        label="Reason for withdrawal",
        max_length=200,
        error_messages={"required": "Enter the reason for the withdrawal."},
    )

    def __init__(self, data: Any = None, *, record: IntervalReading, **options: Any) -> None:
        super().__init__(data, record=record, initial={"because": record.excluded_reason}, **options)
        if record.excluded_reason:
            self.fields["because"].required = False
            self.fields["because"].help_text = "Leave empty to use the interval again."


_KINDS = [(kind.value, kind.label) for kind in IntervalKind]


class CaliperForm(EntryForm):
    """An interval between two marks on the trace."""

    kind = pick(_KINDS, "Interval")
    from_lead = pick([], "Lead of mark A")
    to_lead = pick([], "Lead of mark B")
    from_s = NumberField("Mark A", "s")
    to_s = NumberField("Mark B", "s")
    notes = forms.CharField(label="Remark", max_length=200, required=False)

    def __init__(self, data: Any = None, *, recording: Recording, leads: list[str], **options: Any) -> None:
        super().__init__(data, session=recording.session, **options)
        self.recording = recording
        for name in ("from_lead", "to_lead"):
            offer(self, name, [(lead, lead.removeprefix("ECG_")) for lead in leads])

    @property
    def values(self) -> dict[str, Any]:
        """What the service takes."""
        names = ("kind", "from_lead", "to_lead", "from_s", "to_s", "notes")
        return {name: self.cleaned_data[name] for name in names} | {"recording": self.recording}


class TypedIntervalForm(StatedForm):
    """An interval as somebody read it elsewhere."""

    kind = pick(_KINDS, "Interval")
    duration_ms = NumberField("Interval", "ms", signed=True)
    read_at = MomentField(label="Read at")
    notes = forms.CharField(label="Remark", max_length=200, required=False)

    def __init__(self, data: Any = None, *, record: IntervalReading | None = None, **options: Any) -> None:
        initial = dict(options.pop("initial", None) or {})
        if record:
            initial = {name: getattr(record, name) for name in ("kind", "duration_ms", "read_at", "notes")}
            initial["state"] = str(record.site_id or BASELINE)
        super().__init__(data, record=record, initial=initial, **options)

    def clean(self) -> dict[str, Any]:
        """A QRS duration typed for a site has its place among the lead measurements."""
        data = super().clean() or {}
        if data.get("kind") == IntervalKind.QRS_DURATION and data.get("state") not in (None, "", BASELINE):
            self.add_error("kind", "QRS duration: enter it with the lead measurements of the site.")
        return data

    @property
    def values(self) -> dict[str, Any]:
        """What the service takes."""
        return {name: self.cleaned_data[name] for name in ("kind", "duration_ms", "read_at", "notes")}
