"""The exported tables about patients: who (without saying who), their assessments, events and devices."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db.models import Max, Min
from django.utils import timezone

from analytics.cohort.columns import Column, plain, pseudonym, shifted_day
from analytics.cohort.deidentify import OLD, WITHHELD, age_told
from analytics.cohort.selection import Cohort
from analytics.cohort.tables import Cells, Table
from procedures.models import Outcome, Session
from registry.models import AdverseEvent, Assessment, Patient, Record
from registry.models.declared import Way, handling_of
from registry.selectors.course import judgements
from registry.selectors.patients import age_on, response_by_lvesv

_PATIENT = pseudonym("patient", "Pseudonym of the patient", "patient_id", "keyed hash of registry.patient.id")


def owned_by_patients() -> list[type[Record]]:
    """Return the models whose rows belong to a patient directly, apart from sessions."""
    models = (model for app in ("registry", "procedures") for model in apps.get_app_config(app).get_models())
    owned = [model for model in models if issubclass(model, Record) and model is not Session]
    return [model for model in owned if "patient" in {field.name for field in model._meta.concrete_fields}]


def _declared(model: type[Record], way: Way) -> list[str]:
    stated = handling_of(model)
    return [field.name for field in model._meta.concrete_fields if (told := stated.get(field.name)) and told.way is way]


def _last_days(chunk: list[UUID]) -> dict[UUID, dt.date]:
    """Return each patient's last exported day."""
    found: dict[UUID, list[dt.date]] = defaultdict(list)
    dated: list[tuple[Any, str]] = [
        (model, name) for model in owned_by_patients() for name in _declared(model, Way.SHIFTED)
    ]
    dated.append((Session, "started_at"))
    for model, name in dated:
        rows = model._default_manager.filter(patient__in=chunk).order_by().values_list("patient_id")
        for patient, day in rows.annotate(last=Max(name)):
            if day is not None:
                found[patient].append(timezone.localdate(day) if isinstance(day, dt.datetime) else day)
    for patient, *days in Patient.objects.filter(pk__in=chunk).values_list("id", "died_on", "follow_up_ended_on"):
        found[patient] += [day for day in days if day is not None]
    return {patient: max(days) for patient, days in found.items() if days}


def by_declaration(model: type[Record]) -> Table | None:
    """Return the table of a patient's records as their model declares it, or none if nothing of them may leave."""
    told, days = _declared(model, Way.AS_IS), _declared(model, Way.SHIFTED)
    if not told and not days:
        return None
    columns = [_PATIENT]
    for field in model._meta.concrete_fields:
        if field.name in told:
            columns.append(plain(model, field.name))
        elif field.name in days:
            columns.append(shifted_day(model, field.name, str(field.verbose_name).capitalize()))
    name = str(model._meta.verbose_name_plural).replace(" ", "_").replace("-", "_").lower()
    about = f"One row for each record of the kind '{model._meta.verbose_name}'."
    return Table(name, about, tuple(columns), model=model, order=(*days[:1], "id"))


def _patient_rows(cohort: Cohort) -> Iterator[Cells]:
    hide = cohort.deidentifier
    for chunk in cohort.chunks():
        first: dict[UUID, dt.datetime] = dict(
            Session.objects.filter(patient__in=chunk)
            .order_by()
            .values_list("patient_id")
            .annotate(first=Min("started_at"))
        )
        last = _last_days(chunk)
        people = Patient.objects.select_related("identity").in_bulk(chunk)
        for key in chunk:
            person = people[key]
            day = timezone.localdate(first[key]) if key in first else None
            born = person.identity.birth_date
            yield [
                hide.pseudonym("patient", key),
                person.sex,
                person.aetiology,
                age_told(age_on(born, day), age_on(born, last[key])) if day else None,
                hide.shifted(key, day) if day else None,
                hide.shifted(key, person.died_on) if person.died_on else None,
                person.death_cause if person.died_on else None,
                hide.shifted(key, person.follow_up_ended_on) if person.follow_up_ended_on else None,
                person.follow_up_ended_because,
            ]


def _response_rows(cohort: Cohort) -> Iterator[Cells]:
    hide = cohort.deidentifier
    for chunk in cohort.chunks():
        volumes: dict[UUID, list[Assessment]] = defaultdict(list)
        for record in Assessment.objects.filter(patient__in=chunk, lvesv_ml__isnull=False):
            volumes[record.patient_id].append(record)
        implants = Session.objects.filter(patient__in=chunk, outcome=Outcome.LV_LEAD_IMPLANTED)
        for patient, session, started_at in sorted(
            implants.values_list("patient_id", "id", "started_at"), key=lambda row: (cohort.order[row[0]], row[2])
        ):
            if session in cohort.sessions:
                response = response_by_lvesv(timezone.localdate(started_at), volumes[patient])
                yield [
                    hide.pseudonym("session", session),
                    hide.pseudonym("patient", patient),
                    response.verdict,
                    response.change_percent,
                    response.reason if response.change_percent is None else None,
                ]


def _judgement_rows(cohort: Cohort) -> Iterator[Cells]:
    hide, today = cohort.deidentifier, timezone.localdate()
    for chunk in cohort.chunks():
        people = Patient.objects.in_bulk(chunk)
        assessments: dict[UUID, list[Assessment]] = defaultdict(list)
        for record in Assessment.objects.filter(patient__in=chunk):
            assessments[record.patient_id].append(record)
        events: dict[UUID, list[AdverseEvent]] = defaultdict(list)
        for event in AdverseEvent.objects.filter(patient__in=chunk):
            events[event.patient_id].append(event)
        implants = Session.objects.filter(patient__in=chunk, outcome=Outcome.LV_LEAD_IMPLANTED)
        for patient, session, started_at in sorted(
            implants.values_list("patient_id", "id", "started_at"), key=lambda row: (cohort.order[row[0]], row[2])
        ):
            if session not in cohort.sessions:
                continue
            day = timezone.localdate(started_at)
            for one in judgements(day, people[patient], assessments[patient], events[patient], today):
                yield [
                    hide.pseudonym("session", session),
                    hide.pseudonym("patient", patient),
                    one.definition,
                    one.verdict,
                    None if one.assessable else one.reason,
                ]


def _derived(name: str, label: str, type_: str, source: str, *, unit: str = "", allowed: str = "") -> Column:
    return Column(name, label, type_, source, (), lambda row, cohort: None, unit=unit, allowed=allowed)


PATIENTS = Table(
    "patients",
    "One row for each patient.",
    (
        _PATIENT,
        plain(Patient, "sex"),
        plain(Patient, "aetiology"),
        _derived(
            "age_at_first_session",
            "Age in completed years at the first session",
            "string",
            "registry.patientidentity.birth_date, procedures.session.started_at",
            unit="a",
            allowed=f"0 to 89|{OLD}|{WITHHELD}",
        ),
        _derived("first_session_on", "Date of the first session", "date (shifted)", "procedures.session.started_at"),
        shifted_day(Patient, "died_on", "Date of death"),
        plain(Patient, "death_cause"),
        shifted_day(Patient, "follow_up_ended_on", "Date follow-up here ended"),
        plain(Patient, "follow_up_ended_because"),
    ),
    read=_patient_rows,
)
LVESV_RESPONSES = Table(
    "lvesv_responses",
    "One row for each session that ended with an LV lead implanted: the response by LVESV.",
    (
        _derived("session", "Pseudonym of the session", "pseudonym", "keyed hash of procedures.session.id"),
        _derived("patient", "Pseudonym of the patient", "pseudonym", "keyed hash of registry.patient.id"),
        _derived(
            "verdict",
            "LVESV falls by 15 % or more between 3 and 12 months",
            "code",
            "registry.assessment.lvesv_ml",
            allowed="responder|non_responder|not_assessable",
        ),
        _derived("lvesv_change_percent", "Change of LVESV", "number", "registry.assessment.lvesv_ml", unit="%"),
        _derived("not_assessable_because", "Why response cannot be assessed", "string", "rule of the registry"),
    ),
    read=_response_rows,
)
RESPONSES = Table(
    "responses",
    "One row for each session that ended with an LV lead implanted and each published definition of response.",
    (
        _derived("session", "Pseudonym of the session", "pseudonym", "keyed hash of procedures.session.id"),
        _derived("patient", "Pseudonym of the patient", "pseudonym", "keyed hash of registry.patient.id"),
        _derived(
            "definition",
            "Definition of response",
            "code",
            "registry.response",
            allowed="LVESV|LVEF|Clinical composite",
        ),
        _derived(
            "verdict",
            "Class",
            "code",
            "registry.assessment, registry.adverseevent, registry.patient.died_on",
            allowed="responder|super_responder|non_responder|improved|unchanged|worse|not_assessable",
        ),
        _derived("not_assessable_because", "Why response cannot be assessed", "string", "rule of the registry"),
    ),
    read=_judgement_rows,
)
