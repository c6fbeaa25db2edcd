"""Pages: a table on its way in. Upload, columns, questions, dry run, loading."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from registry.access import Right, require_somewhere
from registry.described.kind import tables
from registry.errors import Conflict, RuleBroken
from registry.forms.imports import ColumnsForm, QuestionsForm, SheetForm, UploadForm
from registry.forms.rules import apply_rule
from registry.importing.plan import Plan, proposed, questions
from registry.models import ImportRun, ImportState, RunState, TableImport
from registry.numbers.outside import NotANumber, whole_number
from registry.selectors.imports import (
    find_import,
    findings_page,
    findings_pages,
    first_rows,
    imports_for,
    last_plan,
    look_of,
    plan_of,
    run_of,
    scan_of,
    table_kind_of,
)
from registry.services import imports
from registry.services.import_running import PAGE
from registry.views.request import MemberRequest
from registry.views.tables import csv_answer

PAGE_SIZE = 50


@require_GET
def table_imports(request: MemberRequest) -> HttpResponse:
    """List the imports, latest first."""
    centres = require_somewhere(request.user, Right.IMPORT_TABLES)
    page = Paginator(imports_for(request.user), PAGE_SIZE).get_page(request.GET.get("page"))
    rows = [(run, tables()[run.kind].label if run.kind in tables() else run.kind) for run in page]
    return render(
        request, "registry/imports/list.html", {"page": page, "rows": rows, "several_centres": len(centres) > 1}
    )


@require_http_methods(["GET", "POST"])
def new_import(request: MemberRequest) -> HttpResponse:
    """Take in a file."""
    centres = require_somewhere(request.user, Right.IMPORT_TABLES)
    form = UploadForm(request.POST or None, request.FILES or None, centres=centres)
    if request.method == "POST" and form.is_valid():
        asked = form.cleaned_data
        try:
            run = imports.begin_import(
                by=request.user,
                centre=asked["centre"],
                kind=asked["kind"],
                upload=asked["file"],
                original_name=asked["file"].name,
                encoding=asked["encoding"],
                separator=asked["separator"],
                key=asked["key"],
            )
        except (RuleBroken, Conflict) as error:
            apply_rule(form, error)
        else:
            step = "columns" if run.state == ImportState.NEW else "show"
            return redirect(f"imports:{step}", run.pk)
    context = {"form": form, "kinds": tables().values()}
    return render(request, "registry/imports/new.html", context, status=422 if form.errors else 200)


def _busy(run: Any) -> bool:
    return run.task is not None


@require_http_methods(["GET", "POST"])
def columns(request: MemberRequest, key: UUID) -> HttpResponse:
    """Decide what the columns are for; with several sheets, first which sheet."""
    run = find_import(request.user, key)
    if _busy(run) or run.state in (ImportState.LOADED, ImportState.DISCARDED):
        return redirect("imports:show", run.pk)
    look = look_of(run)
    if not look["header"]:
        return _sheet(request, run, look)
    kind, plan = table_kind_of(run), plan_of(run)
    last = last_plan(run)
    fresh = not plan.columns and not plan.fixed
    start = Plan(fixed=last[0].fixed, missing=last[0].missing) if fresh and last else plan
    proposals = proposed(kind, look["header"], last[0] if last else None) if fresh else {}
    form = ColumnsForm(request.POST or None, kind=kind, header=look["header"], plan=start, proposals=proposals)
    if request.method == "POST" and form.is_valid():
        try:
            run = imports.decide_columns(by=request.user, run=run, plan=form.plan(plan))
            if questions(kind, plan_of(run), scan_of(run)):
                return redirect("imports:questions", run.pk)
            imports.start_check(by=request.user, run=run)
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            return redirect("imports:show", run.pk)
    context = {
        "run": run,
        "kind": kind,
        "look": look,
        "form": form,
        "rows": first_rows(run),
        "last": last[1] if last and fresh else None,
        "proposed": len(proposals),
    }
    return render(request, "registry/imports/columns.html", context, status=422 if form.errors else 200)


def _sheet(request: MemberRequest, run: TableImport, look: dict[str, Any]) -> HttpResponse:
    form = SheetForm(request.POST or None, sheets=look["sheets"])
    if request.method == "POST" and form.is_valid():
        try:
            imports.choose_sheet(by=request.user, run=run, sheet=form.cleaned_data["sheet"])
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            return redirect("imports:columns", run.pk)
    context = {"run": run, "look": look, "form": form, "kind": table_kind_of(run)}
    return render(request, "registry/imports/sheet.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def open_questions(request: MemberRequest, key: UUID) -> HttpResponse:
    """Answer what the file leaves open."""
    run = find_import(request.user, key)
    kind = table_kind_of(run)
    asked = questions(kind, plan_of(run), scan_of(run)) if run.state == ImportState.NEW else []
    if not asked:
        return redirect("imports:show", run.pk)
    form = QuestionsForm(request.POST or None, asked=asked)
    if request.method == "POST" and form.is_valid():
        try:
            run = imports.answer_questions(by=request.user, run=run, answers=form.answers())
            if any(not one.answer for one in questions(kind, plan_of(run), scan_of(run))):
                return redirect("imports:questions", run.pk)
            imports.start_check(by=request.user, run=run)
        except RuleBroken as error:
            form.add_error(None, str(error))
        else:
            return redirect("imports:show", run.pk)
    context = {"run": run, "kind": kind, "form": form}
    return render(request, "registry/imports/questions.html", context, status=422 if form.errors else 200)


def _may_run_again(run: TableImport, work: ImportRun | None) -> bool:
    """Whether the page offers the dry run again: it ended early, or a loading failed that it had allowed."""
    early = {ImportState.NEW: (RunState.FAILED, RunState.CANCELLED), ImportState.CHECKED: (RunState.FAILED,)}
    return bool(work and work.state in early.get(ImportState(run.state), ()) and plan_of(run).columns)


@require_GET
def show(request: MemberRequest, key: UUID) -> HttpResponse:
    """Show how far an import is, and what its dry run found, a page at a time."""
    run = find_import(request.user, key)
    found = run.problems + run.unusual
    pages = -(-found // PAGE)
    asked = request.GET.get("page", "1")
    try:
        number = min(whole_number(asked, 1, 999_999), max(pages, 1))
    except NotANumber:  # as on every other page of pages: what is no number is the first
        number = 1
    context = {
        "run": run,
        "kind": table_kind_of(run),
        "work": (work := run_of(run)),
        "busy": bool(work and work.busy),
        "rerun": _may_run_again(run, work),
        "findings": findings_page(run, number) if found else [],
        "number": number,
        "pages": pages,
        "loadable": run.state == ImportState.CHECKED and not run.problems and run.rows_read > run.stored_already,
        "to_load": run.rows_read - run.stored_already,
    }
    return render(request, "registry/imports/show.html", context)


@require_GET
def progress(request: MemberRequest, key: UUID) -> HttpResponse:
    """Say how far it is; once it has ended, tell the page that watches to reload."""
    run = find_import(request.user, key)
    work = run_of(run)
    context = {"run": run, "work": work, "busy": bool(work and work.busy)}
    response = render(request, "registry/imports/progress.html", context)
    if request.htmx and not context["busy"]:
        response["HX-Refresh"] = "true"
    return response


@require_POST
def act(request: MemberRequest, key: UUID, what: str) -> HttpResponse:
    """Load, start again, cancel, or throw the file away."""
    run = find_import(request.user, key)
    if what == "load":
        imports.start_load(by=request.user, run=run, confirmed="confirmed" in request.POST)
    elif what == "again":
        imports.run_again(by=request.user, run=run)
    elif what == "cancel":
        stopped = imports.cancel_import(by=request.user, run=run)
        done = (
            "had already finished" if stopped.state == ImportState.LOADED else "is cancelled; nothing of it was written"
        )
        messages.info(request, f"The import {done}.")
    else:
        imports.discard_import(by=request.user, run=run)
        messages.info(request, "The file has been deleted.")
    return redirect("imports:show", run.pk)


@require_GET
def findings_csv(request: MemberRequest, key: UUID) -> StreamingHttpResponse:
    """Return everything the dry run found, as a table."""
    run = find_import(request.user, key)
    rows = (line for page in findings_pages(run) for line in page)
    return csv_answer("findings.csv", ("row", "column", "name", "what", "finding"), rows)
