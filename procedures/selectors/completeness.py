"""What a session says and what it leaves open, for checking before the signature."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import reverse
from django.utils.timezone import localtime

from procedures.models import Outcome, Session
from procedures.selectors.lead_measurements import site_pair


@dataclass(frozen=True)
class Answer:
    """One thing to check: what is recorded, or that it is missing, and where it is entered.

    ``place`` is where the bedside page enters it; empty where only the page at ``url`` does.
    """

    question: str
    said: str
    missing: bool
    blocks: bool
    url: str
    place: str = ""


def answers_to_check(session: Session) -> list[Answer]:
    """Return the list for a session of ``session_detail``; what is missing comes first."""
    answers = [*_of_session(session), *_of_sites(session)]
    return sorted(answers, key=lambda answer: (not answer.blocks, not answer.missing))


def _of_session(session: Session) -> Iterator[Answer]:
    details = reverse("procedures:session_details", args=[session.pk])
    ended = session.outcome != Outcome.UNKNOWN
    yield Answer("Outcome", session.get_outcome_display(), not ended, not ended, details, "ended")
    for question, name, unit in (
        ("Contrast", "contrast_ml", "mL"),
        ("Fluoroscopy time", "fluoroscopy_min", "min"),
        ("Dose-area product", "dose_area_product_gy_cm2", "Gy·cm²"),
    ):
        value = getattr(session, name)
        said = "not recorded" if value is None else f"{value:g} {unit}"
        yield Answer(question, said, value is None, False, details, f"total/{name}")
    physician = str(session.operator or "not recorded")
    yield Answer("Implanting physician", physician, session.operator is None, False, details)
    end = f"{localtime(session.ended_at):%H:%M}" if session.ended_at else "not recorded"
    yield Answer("End", end, session.ended_at is None, False, details, "ended")
    decided = list(session.decisions.all())
    said = f"{decided[-1].site or 'no site'}: {decided[-1].reason}" if decided else "not recorded"
    yield Answer("Decision", said, not decided, False, reverse("procedures:decision", args=[session.pk]), "decision")
    baselines = sum(1 for epoch in session.epochs.all() if epoch.site_id is None)
    said = f"{baselines} recorded" if baselines else "none, so sites cannot be compared"
    yield Answer("Baselines", said, not baselines, False, reverse("procedures:new_epoch", args=[session.pk]))


def _of_sites(session: Session) -> Iterator[Answer]:
    sites = list(session.sites.all())
    if not sites:
        yield Answer("Sites", "none entered", True, False, reverse("procedures:new_site", args=[session.pk]), "site")
    for site in sites:
        if not site.reached:
            reason = site.get_not_reached_reason_display().lower()
            url = reverse("procedures:site", args=[session.pk, site.pk])
            yield Answer(f"Site {site.label}", f"not reached: {reason}", False, False, url)
            continue
        pair = site_pair(site, site.measurements.all())
        threshold = pair.threshold if pair else None
        url = reverse("procedures:new_measurement", args=[session.pk, site.pk])
        if threshold is None:
            yield Answer(f"Site {site.label}", "capture threshold not measured", True, False, url, f"measure/{site.pk}")
        elif not site.epochs.all():
            url = reverse("procedures:new_epoch", args=[session.pk]) + f"?state={site.pk}"
            yield Answer(f"Site {site.label}", "no epoch, so it is not compared", True, False, url)
        else:
            said = f"threshold {threshold.capture_threshold_v:g} V at {threshold.pulse_width_ms:g} ms"
            yield Answer(f"Site {site.label}", said, False, False, url)
