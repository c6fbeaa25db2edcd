"""The form of the physician's decision."""

from __future__ import annotations

from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import offer, pick
from procedures.metrics import METRICS, Direction
from procedures.models import Session, Site

NO_SITE = "none"


class DecisionForm(EntryForm):
    """The site chosen and why. The reason is asked for, never suggested."""

    on_paper = True
    site = pick([], "Site chosen")
    metric = pick(
        [(m.key, m.label) for m in METRICS if m.direction is not Direction.NEITHER],
        "Metric used by the team",
        blank="None",
        required=False,
    )
    reason = forms.CharField(label="Reason", max_length=2000, widget=forms.Textarea(attrs={"rows": 4}))

    def __init__(self, data: Any = None, *, session: Session, **options: Any) -> None:
        super().__init__(data, session=session, **options)
        self.sites = {str(site.pk): site for site in session.sites.filter(reached=True).select_related("tributary")}
        sites = [(key, f"{site.label} ({site.tributary})") for key, site in self.sites.items()]
        offer(self, "site", [("", "Choose"), *sites, (NO_SITE, "No site: the lead is not placed")])

    @property
    def chosen(self) -> Site | None:
        """The site chosen, or none."""
        return self.sites.get(self.cleaned_data["site"])
