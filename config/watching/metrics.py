"""Metrics in the Prometheus format: requests added up over all web processes, and the components of the service.

With several processes each writes its counts into a folder (``PROMETHEUS_MULTIPROC_DIR``, set by
``config/ops/gunicorn.py``), and whichever is asked adds them up. The files belong to places of the server and not to
processes, so that they do not grow in number each time a process is replaced.
"""

from __future__ import annotations

import os
from collections.abc import Iterable

import prometheus_client
from django.conf import settings
from prometheus_client import CollectorRegistry, Counter, Histogram, values
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from registry.jobs import RUN_KINDS, signs
from registry.models import Sign
from registry.selectors import service

FOLDER, PLACE = "PROMETHEUS_MULTIPROC_DIR", "TRIBUTARY_PLACE"
CONTENT_TYPE = prometheus_client.CONTENT_TYPE_LATEST
_METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}
if FOLDER in os.environ:
    values.ValueClass = values.MultiProcessValue(lambda: os.environ.get(PLACE, "0"))
_single = CollectorRegistry()
_requests = Counter(
    "tributary_requests", "Requests answered.", ("method", "route", "status"), registry=_single
)  # exported as tributary_requests_total
_seconds = Histogram(
    "tributary_request_seconds",
    "How long requests took.",
    ("route",),
    registry=_single,
    buckets=(0.05, 0.1, 0.25, 0.5, 1, 2.5, 10),
)


def count(method: str, route: str, status: int, seconds: float) -> None:
    """Count a request that was answered."""
    _requests.labels(method if method in _METHODS else "other", route, str(status)).inc()
    _seconds.labels(route).observe(seconds)


class _Service(Collector):
    """The components of the service, asked when somebody looks: the same from every process."""

    def collect(self) -> Iterable[Metric]:
        well = GaugeMetricFamily(
            "tributary_component_well", "1 when a component of the service is well.", labels=["component"]
        )
        components = service.components()
        for component in components:
            well.add_metric([component.name], float(component.well))
        yield well
        free = GaugeMetricFamily("tributary_disk_free_bytes", "Room left.", labels=["kept"])
        for name, space in service.disks():
            free.add_metric([name], space.free)
        yield free
        if all(component.well for component in components if component.needed):
            yield from _from_database()


def _from_database() -> Iterable[Metric]:
    waiting = GaugeMetricFamily("tributary_runs_waiting", "Background runs that wait.", labels=["queue"])
    oldest = GaugeMetricFamily("tributary_oldest_run_seconds", "How long the oldest one waits.", labels=["queue"])
    working = GaugeMetricFamily("tributary_runs_at_work", "Background runs at work.", labels=["queue"])
    for name in settings.JOB_QUEUES:
        for family, value in zip((waiting, oldest, working), service.busy(name), strict=True):
            family.add_metric([name], value)
    yield from (waiting, oldest, working)
    failed = GaugeMetricFamily(
        "tributary_runs_failed", f"Failed among the runs of the last {service.FAILURES_OF.days} days.", labels=["kind"]
    )
    for kind in RUN_KINDS.values():
        failed.add_metric([kind.name], service.failed(kind).count())
    yield failed
    age = GaugeMetricFamily("tributary_sign_age_seconds", "Since the last sign of life.", labels=["of"])
    for name, seconds in service.ages().items():
        age.add_metric([name], seconds)
    yield age
    yield GaugeMetricFamily("tributary_database_bytes", "Size of the database.", service.database_bytes())
    if verified := Sign.objects.filter(name=signs.VERIFIED).first():
        yield GaugeMetricFamily(
            "tributary_backup_verified_at_seconds", "When a backup was last verified.", verified.seen_at.timestamp()
        )


def exposition() -> bytes:
    """Return everything as text."""
    registry = CollectorRegistry()
    if FOLDER in os.environ:
        MultiProcessCollector(registry)
    else:
        registry = _single
    both = CollectorRegistry()
    both.register(_Service())
    return bytes(prometheus_client.generate_latest(registry) + prometheus_client.generate_latest(both))
