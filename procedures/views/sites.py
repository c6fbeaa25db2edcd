"""Entering sites and what was measured at them."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db import transaction
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from procedures.forms.base import likely_moment
from procedures.forms.sites import MeasurementForm, SiteForm
from procedures.kinds.sites import LEAD_MEASUREMENT, SITE
from procedures.models import LeadMeasurement, Site
from procedures.selectors.finding import find_measurement, find_site
from procedures.services.sites import put_tributary
from procedures.views.entry import answer, form_for, session_to_write, write_record
from registry.views.request import MemberRequest


@require_http_methods(["GET", "HEAD", "POST"])
def site(request: MemberRequest, session: UUID, site: UUID | None = None) -> HttpResponse:
    """Write a site and, where it is new, its tributary; or correct one."""
    found = session_to_write(request.user, session)
    stored = find_site(found, site) if site else None
    initial = {"vein": request.GET.get("vein", ""), "ordinal": request.GET.get("ordinal", "1")}
    form = form_for(SITE, request, session=found, record=stored, initial=initial)

    @transaction.atomic
    def write(form: SiteForm) -> Site:
        named = {name: form.cleaned_data[name] for name in ("vein", "ordinal")}
        tributary = put_tributary(by=request.user, session=found, reason=form.guard["reason"], **named)
        values = form.values | {"session": found, "tributary": tributary}
        written: Site = write_record(SITE, form, by=request.user, values=values)
        return written

    def done(written: Site) -> str:
        if "measure" in request.POST and written.reached:
            return reverse("procedures:new_measurement", args=[found.pk, written.pk])
        return reverse("procedures:session", args=[found.pk]) + "#sites"

    return answer(
        request,
        form,
        write=write,
        template="procedures/site.html",
        done=done,
        said="Site saved.",
        context={"site": stored},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def measurement(request: MemberRequest, session: UUID, site: UUID, measurement: UUID | None = None) -> HttpResponse:
    """Write what was measured at a site, or correct it."""
    found = session_to_write(request.user, session)
    measured = find_site(found, site)
    stored = find_measurement(measured, measurement) if measurement else None
    initial: dict[str, Any] = {"measured_at": likely_moment(found)}
    initial |= {name: request.GET[name] for name in ("cathode", "anode") if name in request.GET}
    form = form_for(LEAD_MEASUREMENT, request, session=found, record=stored, initial=initial)

    def write(form: MeasurementForm) -> LeadMeasurement:
        values = form.values | {"site": measured, "confirmed": form.cleaned_data["confirmed"]}
        written: LeadMeasurement = write_record(LEAD_MEASUREMENT, form, by=request.user, values=values)
        return written

    return answer(
        request,
        form,
        write=write,
        template="procedures/measurement.html",
        done=reverse("procedures:session", args=[found.pk]) + "#sites",
        said=f"Measurement at {measured.label} saved.",
        context={"site": measured, "earlier": list(measured.measurements.all()), "measurement": stored},
    )
