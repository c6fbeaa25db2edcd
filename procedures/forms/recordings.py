"""Forms of a recording: upload, channels, epochs that were found in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import MomentField, offer, pick
from procedures.models import Recording, Session
from procedures.recordings import ROLES
from procedures.services.recordings import ProposedEpoch

ROLE_WORDS = {
    "P_LV": "Left-ventricular pressure",
    "V_LV": "Left-ventricular volume, total",
    "ECG": "ECG, one lead",
    "P_AO": "Aortic pressure",
    "RESP": "Breathing",
}


def role_words(role: str) -> str:
    """Return a role in words."""
    kind, _, rest = role.partition("_")
    if role in ROLE_WORDS:
        return ROLE_WORDS[role]
    return {"V": "Segmental volume", "G": "Segmental conductance", "ECG": "ECG lead"}[kind] + f" {rest}"


class _ChannelChoice(EntryForm):
    """A form that can ask which channel has which role."""

    def offer_channels(self, labels: Sequence[str], chosen: dict[str, str] | None = None) -> None:
        """Add one list of channels per role; nothing chosen means as recognised."""
        self.labels = list(labels)
        for role in ROLES:
            field = pick([(label, label) for label in labels], role_words(role), blank="As recognised", required=False)
            self.fields[f"role_{role}"] = field
            self.initial[f"role_{role}"] = (chosen or {}).get(role, "")

    @property
    def role_fields(self) -> list[forms.BoundField]:
        """The lists of channels, if there are any."""
        return [self[name] for name in self.fields if name.startswith("role_")]

    @property
    def mapping(self) -> dict[str, str]:
        """Roles for which a channel was chosen."""
        chosen = {role: self.cleaned_data.get(f"role_{role}") for role in ROLES}
        return {role: label for role, label in chosen.items() if label}


class UploadForm(_ChannelChoice):
    """A file of signals."""

    file = forms.FileField(
        label="File",
        help_text="EDF or EDF+, CSV, a zip with a WFDB record, or a DICOM waveform; at most 1 GB.",
        error_messages={
            "required": "Choose the file of the recording.",
            "empty": "This file is empty. Choose the file of the recording.",
            "max_length": "The file name is too long. Use at most 200 characters.",
        },
        max_length=200,
        required=False,
    )
    # Instead of the file: one that was sent in parts and lies on the server.
    upload = forms.UUIDField(required=False, widget=forms.HiddenInput)
    started_at = MomentField(
        label="Time of the first sample",
        required=False,
        help_text="Needed if the file does not state it. Use the clock of the session.",
    )

    def clean(self) -> dict[str, Any]:
        """Ask for the file unless it is here already."""
        data = super().clean() or self.cleaned_data
        if not data.get("file") and not data.get("upload") and "file" not in self.errors:
            self.add_error("file", self.fields["file"].error_messages["required"])
        return data


class ChannelsForm(_ChannelChoice):
    """Correcting which channel is what."""

    def __init__(self, data: Any = None, *, record: Recording, **options: Any) -> None:
        super().__init__(data, record=record, **options)
        self.offer_channels([channel["label"] for channel in record.channels], record.mapping)


class EpochTableForm(forms.Form):
    """A table of epochs."""

    table = forms.FileField(
        label="Table of epochs",
        help_text="CSV with the columns label, start_s, end_s. The label is baseline or the name of a site.",
        error_messages={"required": "Choose the CSV file.", "empty": "This file is empty. Choose the CSV file."},
    )

    def clean_table(self) -> str:
        """Read the text of the table."""
        upload = self.cleaned_data["table"]
        if upload.size > 1_000_000:
            raise forms.ValidationError("This file is too large for a table of epochs.")
        try:
            return upload.read().decode("utf-8-sig")
        except UnicodeDecodeError:
            raise forms.ValidationError("The table of epochs is not a text file (CSV, UTF-8).") from None


class FoundEpochForm(EntryForm):
    """One epoch found in a file: what it was, or that it is left out."""

    LEAVE_OUT = "leave_out"
    state = pick([], "State")
    start_s = forms.FloatField(widget=forms.HiddenInput)
    end_s = forms.FloatField(widget=forms.HiddenInput)

    def __init__(
        self, data: Any = None, *, session: Session, proposed: ProposedEpoch | None = None, **options: Any
    ) -> None:
        initial: dict[str, Any] = {}
        if proposed:
            known = "baseline" if proposed.is_baseline else str(proposed.site.pk) if proposed.site else ""
            initial = {"state": known, "start_s": proposed.start_s, "end_s": proposed.end_s}
        super().__init__(data, session=session, initial=initial, **options)
        self.fields.pop("amendment_reason", None)  # asked once for all of them
        self.sites = {str(site.pk): site for site in session.sites.all() if site.reached}
        offer(
            self,
            "state",
            [
                ("", "Choose"),
                ("baseline", "Baseline"),
                *((key, site.label) for key, site in self.sites.items()),
                (self.LEAVE_OUT, "Do not mark"),
            ],
        )
        self.proposed = proposed
