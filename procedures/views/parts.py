"""Pages: the generators and leads of a session."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from procedures.forms.parts import ExplantForm, ImplantForm
from procedures.selectors.finding import find_device, find_session
from procedures.selectors.parts import filled_from, label_of, parts_of
from procedures.selectors.sessions import rights_in
from procedures.services.parts import explant_part, implant_part
from procedures.views.entry import answer, session_to_write
from registry.models import Device
from registry.selectors.devices import models_known
from registry.views.request import MemberRequest


@require_safe
def parts(request: MemberRequest, session: UUID) -> HttpResponse:
    """Show what the session implanted and took out, what is in service, and what was scanned."""
    found = find_session(request.user, session)
    context = {"session": found, "parts": parts_of(found), "rights": rights_in(request.user, found)}
    context["day"] = timezone.localdate(found.started_at)
    return render(request, "procedures/parts.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def implant(request: MemberRequest, session: UUID) -> HttpResponse:
    """Write an implanted part; ``?scanned=`` fills the form from a label scanned at the table."""
    found = session_to_write(request.user, session)
    key = request.GET.get("scanned", "")
    label = label_of(found, UUID(key)) if _is_key(key) else None
    initial = filled_from(label) if label and request.method != "POST" else {}
    form = ImplantForm(request.POST or None, session=found, initial=initial, models_known=models_known(found.patient))

    def write(form: ImplantForm) -> Device:
        guard = form.guard
        return implant_part(
            by=request.user,
            session=found,
            key=guard["key"],
            label=label,
            reason=guard["reason"],
            **form.values,
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/part.html",
        done=reverse("procedures:parts", args=[found.pk]),
        said="The device or lead has been recorded.",
        context={"label": label, "day": timezone.localdate(found.started_at)},
    )


def _is_key(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


@require_http_methods(["GET", "HEAD", "POST"])
def explant(request: MemberRequest, session: UUID, device: UUID) -> HttpResponse:
    """Write that a part of the patient was taken out of service in this session."""
    found = session_to_write(request.user, session)
    part = find_device(found, device)
    form = ExplantForm(request.POST or None, session=found, record=part)

    def write(form: ExplantForm) -> Device:
        guard = form.guard
        return explant_part(
            by=request.user,
            session=found,
            device=part,
            version=guard["version"] or 0,
            explant_reason=form.cleaned_data["explant_reason"],
            left_in_place=form.cleaned_data["left_in_place"],
            reason=guard["reason"],
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/part_out.html",
        done=reverse("procedures:parts", args=[found.pk]),
        said="The device or lead has been taken out of service.",
        context={"part": part},
    )
