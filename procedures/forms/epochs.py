"""Forms of an epoch: typed with its metrics, or marked in a recording."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import MomentField, offer, pick
from procedures.metrics import METRICS, Metric
from procedures.models import Chambers, Epoch, EpochMetric, Origin, PacingConfiguration, Session, Site
from procedures.services.epochs import TypedMetric
from registry.errors import Conflict
from registry.forms.fields import CountField, NumberField

BASELINE = "baseline"


class StateForm(EntryForm):
    """What was paced: baseline or a site, and how."""

    says_optional = ("rate_per_min", "av_delay_ms", "vv_delay_ms")

    state = pick([], "State")
    chambers = pick(Chambers.choices, "Paced chambers", blank="Not recorded", required=False)
    rate_per_min = NumberField(label="Pacing rate", unit="/min", required=False)
    av_delay_ms = NumberField(label="AV delay", unit="ms", required=False)
    vv_delay_ms = NumberField(
        label="VV delay", unit="ms", signed=True, required=False, help_text="Positive: left ventricle first."
    )

    def __init__(self, data: Any = None, *, session: Session, record: Epoch | None = None, **options: Any) -> None:
        initial = dict(options.pop("initial", None) or {})
        if record:
            initial["state"] = str(record.site_id or BASELINE)
            initial |= _pacing_values(record.pacing)
        super().__init__(data, session=session, record=record, initial=initial, **options)
        self.sites = {str(site.pk): site for site in session.sites.filter(reached=True)}
        if record and record.site:
            self.sites.setdefault(str(record.site_id), record.site)
        sites = [(key, site.label) for key, site in self.sites.items()]
        offer(self, "state", [("", "Choose"), (BASELINE, "Baseline"), *sites])

    def clean(self) -> dict[str, Any]:
        """Delays say nothing without the chambers."""
        data = super().clean() or {}
        numbers = (data.get(name) for name in ("rate_per_min", "av_delay_ms", "vv_delay_ms"))
        if not data.get("chambers") and any(number is not None for number in numbers):
            self.add_error("chambers", "Paced chambers: choose them, because a rate or delay was entered.")
        return data

    @property
    def site(self) -> Site | None:
        """The site meant; none is baseline."""
        return self.sites.get(self.cleaned_data["state"])

    @property
    def pacing(self) -> dict[str, Any] | None:
        """The pacing configuration, if one is given."""
        if not self.cleaned_data["chambers"]:
            return None
        return {name: self.cleaned_data[name] for name in ("chambers", "rate_per_min", "av_delay_ms", "vv_delay_ms")}


def _pacing_values(pacing: PacingConfiguration | None) -> dict[str, Any]:
    names = ("chambers", "rate_per_min", "av_delay_ms", "vv_delay_ms")
    return {name: getattr(pacing, name) for name in names} if pacing else {}


@dataclass(frozen=True)
class MetricRow:
    """A metric with its three inputs, for the table of the form."""

    metric: Metric
    mean: forms.BoundField
    sd: forms.BoundField
    beats: forms.BoundField


class TypedEpochForm(StateForm):
    """An epoch with metrics typed by hand: mean, SD and number of beats of each."""

    on_paper = True
    wide = ("excluded_reason",)
    field_order = ("state", "started_at", "ended_at", "duration_s")

    started_at = MomentField(label="Start")
    ended_at = MomentField(label="End", required=False)
    duration_s = NumberField(label="Duration", unit="s", required=False, help_text="Enter the end or the duration.")
    excluded_reason = forms.CharField(
        label="Reason for excluding it from the comparison",
        required=False,
        max_length=200,
        help_text="Leave empty to use the epoch. With a reason the epoch is kept but excluded.",
    )

    def __init__(self, data: Any = None, *, record: Epoch | None = None, **options: Any) -> None:
        self.typed: dict[str, EpochMetric] = {}
        initial = dict(options.pop("initial", None) or {})
        if record:
            initial |= {name: getattr(record, name) for name in ("started_at", "ended_at", "excluded_reason")}
            self.typed = {m.key: m for m in record.metrics.all() if m.origin == Origin.ENTERED}
        super().__init__(data, record=record, initial=initial, **options)
        if record and record.recording_id:
            for name in ("started_at", "ended_at", "duration_s"):
                del self.fields[name]  # the recording's page moves a marked epoch
        below = ("excluded_reason", "from_paper", "amendment_reason")  # on the page below the metrics
        last = {name: self.fields.pop(name) for name in below if name in self.fields}
        for metric in METRICS:
            self._add_inputs(metric)
        self.fields |= last

    def _add_inputs(self, metric: Metric) -> None:
        key, name, stored = metric.key, metric.label, self.typed.get(metric.key)
        signed = metric.may_be_negative or metric.hard_low < 0
        self.fields[key] = NumberField(label=f"{name}, mean", unit=metric.unit, signed=signed, required=False)
        self.fields[f"{key}__sd"] = NumberField(label=f"{name}, SD", unit=metric.unit, required=False)
        self.fields[f"{key}__beats"] = CountField(label=f"{name}, beats", required=False)
        self.fields[f"{key}__version"] = forms.IntegerField(widget=forms.HiddenInput, required=False)
        if stored:
            self.initial.update({key: stored.mean, f"{key}__sd": stored.sd, f"{key}__beats": stored.beats})
            self.initial[f"{key}__version"] = stored.version
        for suffix, said in (("", "mean"), ("__sd", "SD"), ("__beats", "beats")):
            unit = f", {metric.unit}" if metric.unit and suffix != "__beats" else ""
            self.fields[key + suffix].widget.attrs["aria-label"] = f"{name}, {said}{unit}"

    def rows(self) -> list[MetricRow]:
        """Return the inputs metric by metric."""
        return [MetricRow(m, self[m.key], self[f"{m.key}__sd"], self[f"{m.key}__beats"]) for m in METRICS]

    def place(self, error: Conflict, name: str) -> str:
        """Find the input of a metric that somebody else corrected."""
        key = error.yours.get("key")
        return {"mean": f"{key}", "sd": f"{key}__sd", "beats": f"{key}__beats"}.get(name, name) if key else name

    def version_place(self, error: Conflict) -> str:
        """Find the version of that metric."""
        key = error.yours.get("key")
        return f"{key}__version" if key else "version"

    def clean(self) -> dict[str, Any]:
        """Settle the end, and hold the three inputs of a metric against one another."""
        data = super().clean() or {}
        if "started_at" in self.fields:
            self._settle_end(data)
        for metric in METRICS:
            self._check_inputs(data, metric)
        return data

    def _settle_end(self, data: dict[str, Any]) -> None:
        start, end, seconds = (data.get(name) for name in ("started_at", "ended_at", "duration_s"))
        if {"started_at", "ended_at", "duration_s"} & set(self.errors) or start is None:
            return
        if seconds is not None and not 0 < seconds <= 86400:
            self.add_error("duration_s", "Duration: enter seconds above 0, at most 86400.")
        elif end is None and seconds is None:
            self.add_error("ended_at", "Enter the end or the duration.")
        elif end is None and seconds is not None:
            data["ended_at"] = start + dt.timedelta(seconds=seconds)
        elif seconds is not None and abs((end - start).total_seconds() - seconds) > 1:
            self.add_error("duration_s", "End and duration do not agree. Enter only one of them.")
        elif end <= start:
            self.add_error("ended_at", "The end must be after the start.")

    def _check_inputs(self, data: dict[str, Any], metric: Metric) -> None:
        key = metric.key
        mean, sd, beats = data.get(key), data.get(f"{key}__sd"), data.get(f"{key}__beats")
        if mean is None and key not in self.errors:
            if sd is not None or beats is not None:
                self.add_error(key, f"{metric.label}: enter the mean too.")
            elif key in self.typed:
                message = f"{metric.label}: a saved value cannot be cleared. Correct it, or exclude the epoch."
                self.add_error(key, message)
        if sd is not None and sd < 0:
            self.add_error(f"{key}__sd", f"{metric.label}: the SD must be 0 or more.")
        if beats == 0:
            self.add_error(f"{key}__beats", f"{metric.label}: enter at least 1 beat.")

    @property
    def metrics(self) -> Mapping[str, TypedMetric]:
        """The metrics typed."""
        data = self.cleaned_data
        return {
            m.key: TypedMetric(data[m.key], data[f"{m.key}__sd"], data[f"{m.key}__beats"], data[f"{m.key}__version"])
            for m in METRICS
            if data.get(m.key) is not None
        }

    @property
    def values(self) -> dict[str, Any]:
        """The fields of the epoch besides site and pacing."""
        names = ("started_at", "ended_at", "excluded_reason")
        return {name: self.cleaned_data[name] for name in names if name in self.fields}


class MarkedEpochForm(StateForm):
    """An epoch marked in a recording, by seconds on the recording's own time axis."""

    start_s = NumberField(label="Start", unit="s")
    end_s = NumberField(label="End", unit="s")

    def __init__(self, data: Any = None, *, record: Epoch | None = None, **options: Any) -> None:
        initial = dict(options.pop("initial", None) or {})
        if record:
            initial |= {"start_s": record.recording_start_s, "end_s": record.recording_end_s}
        super().__init__(data, record=record, initial=initial, **options)
        for name in ("start_s", "end_s"):
            label = self.fields[name].label
            self.fields[name].error_messages["required"] = f"{label}: enter seconds, or tap on the trace."
