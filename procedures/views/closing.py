"""The decision and the signature."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from procedures.forms.decisions import DecisionForm
from procedures.forms.sessions import SignForm
from procedures.kinds.sessions import DECISION
from procedures.models import Decision, Status
from procedures.selectors.completeness import answers_to_check
from procedures.selectors.sessions import decisions_of, session_detail
from procedures.services.sessions import sign_session
from procedures.views.entry import answer, form_for, session_to_write, write_record
from registry.access import Right
from registry.errors import RuleBroken
from registry.forms.rules import apply_rule
from registry.login.reauthentication import confirm_signature, minutes_it_counts, recently_confirmed, to_confirmation
from registry.views.request import MemberRequest


@require_http_methods(["GET", "HEAD", "POST"])
def decision(request: MemberRequest, session: UUID) -> HttpResponse:
    """Record which site was chosen and why. A later decision stands over an earlier one."""
    found = session_to_write(request.user, session, Right.DECIDE)
    initial = {"metric": request.GET.get("metric", ""), "site": request.GET.get("site", "")}
    form = form_for(DECISION, request, session=found, initial=initial)

    def write(form: DecisionForm) -> Decision:
        values = {"session": found, "site": form.chosen}
        values |= {name: form.cleaned_data[name] for name in ("metric", "reason")}
        written: Decision = write_record(DECISION, form, by=request.user, values=values)
        return written

    return answer(
        request,
        form,
        write=write,
        template="procedures/decision.html",
        done=reverse("procedures:session", args=[found.pk]),
        said="Decision recorded.",
        context={"earlier": decisions_of(found)},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def sign(request: MemberRequest, session: UUID) -> HttpResponse:
    """Show what is there and what is missing, then sign: with the password, or a code or passkey given for it."""
    found = session_detail(request.user).get(pk=session_to_write(request.user, session, Right.SIGN).pk)
    if found.status == Status.SIGNED:
        messages.info(request, "This session is already signed.")
        return redirect("procedures:session", found.pk)
    address = reverse("procedures:sign", args=[found.pk])
    form = SignForm(request.POST or None, use_required_attribute=False)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                confirm_signature(request, form.cleaned_data["password"], page=address)
                sign_session(by=request.user, session=found)
            except RuleBroken as error:
                apply_rule(form, error)
            else:
                messages.success(request, f"Session {found.code} is signed. Later changes need a reason.")
                return redirect("procedures:session", found.pk)
    context = {
        "form": form,
        "session": found,
        "answers": answers_to_check(found),
        "confirmed": recently_confirmed(request, page=address),
        "confirm_url": to_confirmation(request, address).url,
        "minutes": minutes_it_counts(),
    }
    return render(request, "procedures/sign.html", context, status=status)
