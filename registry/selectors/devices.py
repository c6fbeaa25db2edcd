"""Reading generators and leads: model names, recall lists, how long parts lasted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Count, Q, QuerySet

from registry.access import Right, centres_for
from registry.clinical.survival import DAYS_PER_YEAR, Lifetime, Step, survival
from registry.models import FAILURES, Chamber, Device, DeviceKind, Patient, User

# Names offered while one is typed.
MOST_NAMES = 200
YEARS = (1, 2, 3, 5, 7, 10, 15)


def models_known(patient: Patient) -> list[str]:
    """Return the names of models used in the patient's centre, to be offered while one is typed."""
    used = Device.objects.filter(patient__centre=patient.centre_id).order_by("model_name")
    return list(used.values_list("model_name", flat=True).distinct()[:MOST_NAMES])


def models_in_use(user: User) -> QuerySet[Device, dict[str, object]]:
    """Return each model with the number of living patients who carry it, in the centres the viewer may recall for."""
    return (
        carried_in(user)
        .order_by("model_name")
        .values("model_name", "kind")
        .annotate(patients=Count("patient", distinct=True))
    )


def carried_in(user: User) -> QuerySet[Device]:
    """Return the parts in the bodies of living patients: in service, or capped and left in place."""
    return Device.objects.filter(
        Q(explanted_on__isnull=True) | Q(left_in_place=True),
        patient__died_on__isnull=True,
        patient__centre__in=centres_for(user, Right.RECALL),
    )


def recall(user: User, model_name: str) -> QuerySet[Device]:
    """Return the parts of one model in living patients, with patient, identity and centre, in one query."""
    found = carried_in(user).filter(model_name__iexact=model_name.strip())
    return found.select_related("patient", "patient__identity", "patient__centre").order_by(
        "patient__centre__name", "patient__code", "implanted_on", "id"
    )


@dataclass(frozen=True)
class Group:
    """How long one group of parts lasted: a kind of part, or one model of it."""

    label: str
    parts: int
    failures: int
    steps: list[Step]

    def at(self) -> list[Step | None]:
        """Return the estimate at each of the years, None beyond the longest observation."""
        known = {round(step.days / DAYS_PER_YEAR): step for step in self.steps}
        return [known.get(year) for year in YEARS]


def lifetimes(user: User, today: dt.date) -> dict[tuple[str, str], list[Lifetime]]:
    """Return the lifetimes of the parts by group and model, in one query.

    A generator fails when its battery is depleted or it fails itself, a lead when it fails. Everything else ends the
    observation: removal for another reason, death, or today.
    """
    found: dict[tuple[str, str], list[Lifetime]] = {}
    rows = Device.objects.filter(patient__centre__in=centres_for(user, Right.SEE_AUDIT)).values_list(
        "kind", "chamber", "model_name", "implanted_on", "explanted_on", "explant_reason", "patient__died_on"
    )
    for kind, chamber, model, implanted, explanted, reason, died in rows:
        group = "Generators" if kind == DeviceKind.GENERATOR else f"Leads, {Chamber(str(chamber)).label.lower()}"
        end = min(day for day in (explanted, died, today) if day is not None)
        failed = explanted is not None and end == explanted and reason in FAILURES[DeviceKind(kind)]
        found.setdefault((group, model), []).append(Lifetime(max(0, (end - implanted).days), failed))
    return found


def survival_groups(user: User, today: dt.date) -> list[Group]:
    """Return the survival of each kind of part, and of each model below its kind."""
    by_model = lifetimes(user, today)
    kinds = _by_kind(by_model)
    groups = []
    for kind in sorted(kinds):
        groups.append(_group(kind, kinds[kind]))
        groups += [_group(f"· {model}", parts) for (group, model), parts in sorted(by_model.items()) if group == kind]
    return groups


@dataclass(frozen=True)
class Curve:
    """One kind of part over its whole observation: a step at each failure."""

    label: str
    steps: list[Step]
    longest_days: float


def survival_curves(user: User, today: dt.date) -> list[Curve]:
    """Return the survival of each kind of part at every failure."""
    kinds = _by_kind(lifetimes(user, today))
    return [Curve(kind, survival(held), max(one.days for one in held)) for kind, held in sorted(kinds.items())]


def _by_kind(by_model: dict[tuple[str, str], list[Lifetime]]) -> dict[str, list[Lifetime]]:
    kinds: dict[str, list[Lifetime]] = {}
    for (group, _), parts in by_model.items():
        kinds.setdefault(group, []).extend(parts)
    return kinds


def _group(label: str, parts: Iterable[Lifetime]) -> Group:
    held = list(parts)
    steps = survival(held, [year * DAYS_PER_YEAR for year in YEARS])
    return Group(label, len(held), sum(one.failed for one in held), steps)
