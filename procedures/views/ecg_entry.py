"""Taking in a stand-alone electrocardiogram, measuring a stretch of a recording, typing or withdrawing an interval."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from procedures.forms.base import likely_moment
from procedures.forms.ecgs import EcgUploadForm, StretchForm, TypedIntervalForm, WithdrawIntervalForm
from procedures.models import EcgMeasurement, IntervalReading
from procedures.selectors.finding import find_interval, find_typed_interval
from procedures.selectors.signals import span_of
from procedures.services.ecgs import measure_ecg, put_reading, store_ecg, withdraw_reading
from procedures.views.entry import answer, session_to_write
from procedures.views.recordings import recording_for
from registry.views.request import MemberRequest


@require_http_methods(["GET", "HEAD", "POST"])
def new_ecg(request: MemberRequest, session: UUID) -> HttpResponse:
    """Take in the file of a 12-lead electrocardiogram, of baseline or of a site, and measure it."""
    found = session_to_write(request.user, session)
    initial = {"state": request.GET.get("site", "")}
    form = EcgUploadForm(request.POST or None, files=request.FILES or None, session=found, initial=initial)

    def write(form: EcgUploadForm) -> EcgMeasurement:
        upload, guard = form.cleaned_data["file"], form.guard
        return store_ecg(
            by=request.user,
            session=found,
            site=form.site,
            upload=upload,
            original_name=upload.name,
            taken_at=form.cleaned_data["taken_at"],
            key=guard["key"],
            reason=guard["reason"],
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/new_ecg.html",
        done=lambda ecg: reverse("procedures:ecg", args=[ecg.pk]),
        said="The ECG has been stored and measured.",
        context={"offered": likely_moment(found)},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def recorded_ecg(request: MemberRequest, recording: UUID) -> HttpResponse:
    """Measure the electrocardiogram of a stretch of a recording that is no epoch."""
    found = recording_for(request.user, recording, writing=True)
    first, last = span_of(found)
    initial = {"start_s": first, "end_s": min(first + 10.0, last)}
    form = StretchForm(request.POST or None, session=found.session, initial=initial)

    def write(form: StretchForm) -> EcgMeasurement:
        data = form.cleaned_data
        return measure_ecg(
            by=request.user,
            recording=found,
            site=form.site,
            start_s=data["start_s"],
            end_s=data["end_s"],
            reason=form.guard["reason"],
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/recorded_ecg.html",
        done=lambda ecg: reverse("procedures:ecg", args=[ecg.pk]),
        said="The ECG has been measured.",
        context={"recording": found, "first_s": first, "last_s": last},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def interval(request: MemberRequest, session: UUID, interval: UUID | None = None) -> HttpResponse:
    """Type an interval that was read elsewhere, or correct one."""
    found = session_to_write(request.user, session)
    stored = find_typed_interval(found, interval) if interval else None
    initial = {"read_at": likely_moment(found), "state": request.GET.get("site", "")}
    form = TypedIntervalForm(request.POST or None, session=found, record=stored, initial=initial)

    def write(form: TypedIntervalForm) -> IntervalReading:
        return put_reading(by=request.user, session=found, site=form.site, **form.values, **form.guard)

    return answer(
        request,
        form,
        write=write,
        template="procedures/interval.html",
        done=reverse("procedures:session_ecgs", args=[found.pk]) + "#intervals",
        said="The interval has been saved.",
        context={"interval": stored},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def interval_withdrawal(request: MemberRequest, session: UUID, interval: UUID) -> HttpResponse:
    """Withdraw an interval with a reason, or let a withdrawn one count again."""
    found = session_to_write(request.user, session)
    stored = find_interval(found, interval)
    form = WithdrawIntervalForm(request.POST or None, session=found, record=stored)

    def write(form: WithdrawIntervalForm) -> IntervalReading:
        guard, because = form.guard, form.cleaned_data["because"]
        return withdraw_reading(
            by=request.user, reading=stored, because=because, version=guard["version"] or 0, reason=guard["reason"]
        )

    return answer(
        request,
        form,
        write=write,
        template="procedures/interval_withdrawal.html",
        done=reverse("procedures:session_ecgs", args=[found.pk]) + "#intervals",
        said="Noted.",
        context={"interval": stored},
    )
