"""Electrode pairs at a site: the table cathode by anode, strength-duration, margins; and typing the table."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from procedures.forms.base import likely_moment
from procedures.forms.electrodes import ElectrodeGridForm
from procedures.limits import ACCEPTANCE, IMPEDANCE, MARGIN, MIN_SAFETY_MARGIN, OTHER_WIDTHS
from procedures.selectors.finding import find_session, find_site, measurements_at
from procedures.selectors.lead_measurements import electrode_grid, electrode_pairs
from procedures.selectors.sessions import rights_in
from procedures.services.sites import put_electrode_grid
from procedures.views.entry import answer, session_to_write
from registry.views.request import MemberRequest


@require_safe
def electrodes(request: MemberRequest, session: UUID, site: UUID) -> HttpResponse:
    """Show the electrode pairs tried at a site, with limits, curves and margins."""
    found = find_session(request.user, session)
    at = find_site(found, site)
    context = {
        "session": found,
        "site": at,
        "rights": rights_in(request.user, found),
        "grid": electrode_grid(at, measurements_at(at)),
        "acceptance": ACCEPTANCE,
        "other_widths": OTHER_WIDTHS,
        "impedance": IMPEDANCE,
        "margin": MARGIN,
        "min_margin": MIN_SAFETY_MARGIN,
    }
    return render(request, "procedures/electrodes.html", context)


@require_safe
def electrode_curve(request: MemberRequest, session: UUID, site: UUID) -> HttpResponse:
    """Return the figure of one pair's thresholds over the pulse width."""
    # Imported here: building figures is the only use of a library that takes half a second to load.
    from procedures.figures.strength_duration import strength_duration

    at = find_site(find_session(request.user, session), site)
    asked = (request.GET.get("cathode", ""), request.GET.get("anode", ""))
    pairs = electrode_pairs(at, measurements_at(at))
    pair = next((one for one in pairs if (one.cathode, one.anode) == asked), None)
    if pair is None:
        return JsonResponse({"data": [], "message": "This pair was not tested."})
    return HttpResponse(strength_duration(pair).to_json(), content_type="application/json")


@require_http_methods(["GET", "HEAD", "POST"])
def electrode_table(request: MemberRequest, session: UUID, site: UUID) -> HttpResponse:
    """Type thresholds, phrenic answers and impedances of several pairs at once."""
    found = session_to_write(request.user, session)
    at = find_site(found, site)
    known = electrode_grid(at, measurements_at(at))
    form = ElectrodeGridForm(
        request.POST or None,
        session=found,
        cathodes=known.cathodes,
        anodes=known.anodes,
        initial={"measured_at": likely_moment(found)},
    )

    def write(form: ElectrodeGridForm) -> None:
        data = form.cleaned_data
        put_electrode_grid(
            by=request.user,
            site=at,
            cells=form.cells,
            pulse_width_ms=data["pulse_width_ms"],
            measured_at=data["measured_at"],
            confirmed=data["confirmed"],
            reason=form.guard["reason"],
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/electrode_table.html",
        done=reverse("procedures:electrodes", args=[found.pk, at.pk]),
        said="The electrode pairs have been saved.",
        context={"site": at},
    )
