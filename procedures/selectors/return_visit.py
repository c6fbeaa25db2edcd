"""Back at the chosen site: what the last visit says against the earlier ones."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Q

from procedures.acute_response import ResponseError
from procedures.acute_response.return_visit import TOLERANCES, ReturnCheck, check_measurement, check_response
from procedures.models import EcgMeasurement, Session, Site
from procedures.selectors.comparison import SessionComparison
from procedures.selectors.lead_measurements import in_force
from procedures.selectors.observations import BASELINE, observed_epochs


@dataclass(frozen=True)
class ReturnVisit:
    """The site returned to, when, and each thing compared."""

    site: Site
    returned_at: dt.datetime
    checks: list[ReturnCheck]

    @property
    def warns(self) -> bool:
        """Whether anything differs by more than the noise allows."""
        return any(check.agrees is False for check in self.checks)


def return_visit(compared: SessionComparison) -> ReturnVisit | None:
    """Compare the last visit to the chosen site (or the leading one) with the earlier ones.

    A return is a visit after another site was tested in between; without one there is nothing to compare.
    """
    site = compared.decision.site if compared.decision else None
    site = site or (compared.leader.site if compared.leader else None)
    returned_at = _returned_at(compared.session, site) if site else None
    if site is None or returned_at is None or compared.metric is None:
        return None
    key = compared.metric.key
    since_s = (returned_at - compared.session.started_at).total_seconds()
    try:
        checks = [
            check_response(
                observed_epochs(compared.session).get(key, []),
                state=site.label, since_s=since_s, baseline=BASELINE, metric=key,
            )
        ]  # fmt: skip
    except ResponseError as error:
        checks = [ReturnCheck(key, None, None, None, None, str(error))]
    return ReturnVisit(site, returned_at, checks + _measurements(site))


def _returned_at(session: Session, site: Site) -> dt.datetime | None:
    """Return when the last stay at the site began, if another site was tested since an earlier stay."""
    visits = list(
        session.epochs.filter(excluded_reason="", site__isnull=False)
        .order_by("started_at", "id")
        .values_list("site_id", "started_at")
    )
    returned, away, seen = None, False, False
    for site_id, started_at in visits:
        if site_id != site.pk:
            away = seen
        elif away or not seen:
            returned = started_at if away else None
            seen, away = True, False
    return returned


def _measurements(site: Site) -> list[ReturnCheck]:
    """Compare the first and the last lead measurement of the site, where it was measured twice."""
    measured = in_force(site, site.measurements.all())
    # A measured QRS duration stands over a typed one.
    ecgs = EcgMeasurement.objects.filter(Q(site=site) | Q(epoch__site=site)).select_related("epoch").defer("result")
    durations = [float(round(ecg.qrs_duration_ms)) for ecg in ecgs if not ecg.set_aside]
    if len(measured) < 2:
        return [ReturnCheck("lead", None, None, None, None, "Lead measurements were not repeated.")]
    first, last = measured[0], measured[-1]
    pairs = {key: (getattr(first, key), getattr(last, key)) for key in TOLERANCES}
    if len(durations) > 1:
        pairs["qrs_duration_ms"] = (durations[0], durations[-1])
    widths = (first.pulse_width_ms, last.pulse_width_ms)
    if None not in widths and widths[0] != widths[1]:
        # A threshold falls with pulse width, so two widths would look like a lead that moved, or hide one that did.
        for key in ("capture_threshold_v", "phrenic_threshold_v"):
            del pairs[key]
        sentence = f"Thresholds are not compared: pulse width {widths[1]:g} ms after {widths[0]:g} ms."
        unlike = [ReturnCheck("capture_threshold_v", None, None, None, None, sentence)]
    else:
        unlike = []
    return unlike + [check_measurement(key, *pair) for key, pair in pairs.items() if pair != (None, None)]
