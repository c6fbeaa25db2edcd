"""QRS durations of a session's states: measured, read with calipers or typed; and which ECG to compare with."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from uuid import UUID

from django.db.models import QuerySet

from procedures.models import (
    EcgMeasurement,
    IntervalKind,
    IntervalOrigin,
    IntervalReading,
    LeadMeasurement,
    Recording,
    Session,
    Site,
)
from procedures.selectors.sessions import sessions_for
from registry.models import User

MEASURED, CALIPERS, TYPED = "measured", "by calipers", "entered"
# What a page or a list shows at most; a day has some tens.
MOST_ECGS = 200


@dataclass
class StateQrs:
    """What is known of the QRS duration at a site or at baseline (``site`` None).

    Attributes
    ----------
    ecgs
        Measured, in order of time, without those set aside.
    calipers
        Read with calipers, in order of time.
    typed_ms
        The latest that was typed.
    """

    site: Site | None
    ecgs: list[EcgMeasurement] = field(default_factory=list)
    calipers: list[IntervalReading] = field(default_factory=list)
    typed_ms: float | None = None

    @property
    def ecg(self) -> EcgMeasurement | None:
        """The latest measured electrocardiogram that counts."""
        return self.ecgs[-1] if self.ecgs else None

    @property
    def origin(self) -> str:
        """Where the duration in force comes from: measured stands over calipers, calipers over typed."""
        return MEASURED if self.ecgs else CALIPERS if self.calipers else TYPED if self.typed_ms is not None else ""

    @property
    def duration_ms(self) -> float | None:
        """The duration in force."""
        if self.ecg:
            return self.ecg.qrs_duration_ms
        return self.calipers[-1].duration_ms if self.calipers else self.typed_ms

    @property
    def sd_ms(self) -> float | None:
        """Its standard deviation, where it was measured."""
        return self.ecg.qrs_duration_sd_ms if self.ecg else None

    @property
    def beside(self) -> str:
        """What else is known, in words; empty where there is nothing."""
        others = []
        if self.calipers and self.ecgs:
            others.append(f"{self.calipers[-1].duration_ms:.0f} ms {CALIPERS}")
        if self.typed_ms is not None and self.origin != TYPED:
            others.append(f"{self.typed_ms:.0f} ms {TYPED}")
        return ", ".join(others)


def ecgs_for(user: User) -> QuerySet[EcgMeasurement]:
    """Return the measured electrocardiograms that the user sees."""
    return EcgMeasurement.objects.filter(recording__session__in=sessions_for(user)).select_related(
        "recording__session__patient", "epoch__site__tributary", "epoch__pacing", "site__tributary"
    )


def find_ecg(user: User, key: UUID) -> EcgMeasurement:
    """Return a measured electrocardiogram with its average beat.

    Raises
    ------
    ObjectDoesNotExist
        When it does not exist or belongs to another centre.
    """
    return ecgs_for(user).select_related("beat").get(pk=key)


def ecgs_in(recording: Recording) -> list[EcgMeasurement]:
    """Return the electrocardiograms measured in a recording."""
    return list(recording.ecgs.select_related("epoch__site", "site").defer("result")[:MOST_ECGS])


def ecgs_of(session: Session) -> list[EcgMeasurement]:
    """Return the session's measured electrocardiograms in order of time, those set aside included."""
    found = EcgMeasurement.objects.filter(recording__session=session).select_related("recording", "epoch__site", "site")
    return list(found.defer("result")[:MOST_ECGS])


def readings_of(session: Session) -> list[IntervalReading]:
    """Return the session's intervals, those withdrawn included."""
    return list(session.interval_readings.select_related("site", "recording")[:MOST_ECGS])


def readings_at(session: Session, site: Site | None) -> list[IntervalReading]:
    """Return the intervals read at a site, or at baseline (None)."""
    return list(session.interval_readings.filter(site=site).select_related("recording")[:MOST_ECGS])


def readings_that_count(session: Session) -> QuerySet[IntervalReading]:
    """Return the session's intervals in order of time, without those withdrawn."""
    return session.interval_readings.filter(excluded_reason="").select_related("site")


def qrs_by_state(session: Session, ecgs: Iterable[EcgMeasurement] | None = None) -> dict[UUID | None, StateQrs]:
    """Return by site (None: baseline) what is known of its QRS duration, in at most three queries."""
    found: dict[UUID | None, StateQrs] = defaultdict(lambda: StateQrs(None))

    def state(site: Site | None) -> StateQrs:
        key = site.pk if site else None
        if key not in found:
            found[key] = StateQrs(site)
        return found[key]

    for ecg in ecgs_of(session) if ecgs is None else ecgs:
        if not ecg.set_aside:
            state(ecg.state_site).ecgs.append(ecg)
    read = readings_that_count(session).filter(kind=IntervalKind.QRS_DURATION)
    for reading in read[:MOST_ECGS]:
        if reading.origin == IntervalOrigin.CALIPERS:
            state(reading.site).calipers.append(reading)
        else:
            state(reading.site).typed_ms = reading.duration_ms
    typed = LeadMeasurement.objects.filter(site__session=session, qrs_duration_ms__isnull=False).select_related("site")
    for measurement in typed.order_by("measured_at", "id"):
        state(measurement.site).typed_ms = measurement.qrs_duration_ms
    return dict(found)


def baseline_for(ecg: EcgMeasurement, ecgs: Iterable[EcgMeasurement]) -> EcgMeasurement | None:
    """Return the baseline to compare with: the last one before, else the first one after; none for a lone one."""
    baselines = [other for other in ecgs if other.state_site is None and not other.set_aside and other.pk != ecg.pk]
    before = [other for other in baselines if other.measured_at <= ecg.measured_at]
    return before[-1] if before else baselines[0] if baselines else None


@dataclass(frozen=True)
class StateLine:
    """A state of the session: its QRS, the change against the nearest baseline (ms), the intervals read there."""

    qrs: StateQrs
    label: str
    change_ms: float | None
    readings: list[IntervalReading]


def state_lines(session: Session) -> list[StateLine]:
    """Return baseline and sites with their electrical state, baseline first, sites in the order they were entered."""
    ecgs = ecgs_of(session)
    states = qrs_by_state(session, ecgs)
    readings: dict[UUID | None, list[IntervalReading]] = defaultdict(list)
    other = readings_that_count(session).exclude(kind=IntervalKind.QRS_DURATION)
    for reading in other[:MOST_ECGS]:
        readings[reading.site_id].append(reading)
    lines = []
    sites = sorted((s for s in session.sites.all() if s.pk in states or s.pk in readings), key=lambda site: site.pk)
    for site in [None, *sites]:
        key = site.pk if site else None
        if key not in states and key not in readings:
            continue
        qrs = states.get(key, StateQrs(site))
        change = change_against_baseline(qrs, ecgs, states.get(None))
        lines.append(StateLine(qrs, site.label if site else "baseline", change, readings[key]))
    return lines


def change_against_baseline(qrs: StateQrs, ecgs: list[EcgMeasurement], baseline: StateQrs | None) -> float | None:
    """Return the change of the QRS duration (ms): measured against measured, else the numbers in force."""
    if qrs.site is None or qrs.duration_ms is None or baseline is None or baseline.duration_ms is None:
        return None
    if qrs.ecg and (near := baseline_for(qrs.ecg, ecgs)):
        return qrs.ecg.qrs_duration_ms - near.qrs_duration_ms
    return qrs.duration_ms - baseline.duration_ms
