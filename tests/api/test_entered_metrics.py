"""Metrics of an epoch entered by hand over the API."""

from __future__ import annotations

import pytest

from procedures.models import EpochMetric
from tests.api.conftest import Api, World
from tests.factories import make_epoch, make_session


@pytest.fixture
def path(world: World) -> str:
    """Return where the metrics of an epoch are entered."""
    return f"epochs/{make_epoch(world.session, world.site).pk}/metrics"


def test_metrics_are_entered_replayed_and_corrected(api: Api, path: str) -> None:
    body = {"metrics": {"dpdt_max_mmhg_per_s": {"mean": 910, "sd": 35, "beats": 28}, "sv_ml": {"mean": 61.5}}}
    entered = api.put(path, body)
    assert entered.status_code == 200, entered.content
    by_key = {metric["key"]: metric for metric in entered.json()}
    assert set(by_key) == {"dpdt_max_mmhg_per_s", "sv_ml"}
    assert (
        by_key["dpdt_max_mmhg_per_s"] | {"origin": "entered", "mean": 910.0, "sd": 35.0, "beats": 28}
        == (by_key["dpdt_max_mmhg_per_s"])
    )
    assert by_key["sv_ml"]["sd"] is None
    assert api.put(path, body).json() == entered.json()

    corrected = api.put(path, {"metrics": {"sv_ml": {"mean": 62.5, "version": 1}}}).json()
    assert {metric["key"]: (metric["mean"], metric["version"]) for metric in corrected} == {
        "dpdt_max_mmhg_per_s": (910.0, 1),
        "sv_ml": (62.5, 2),
    }
    stale = api.put(path, {"metrics": {"sv_ml": {"mean": 63.5, "version": 1}}})
    assert stale.status_code == 409
    assert stale.json()["stored"]["mean"] == "62.5"


def test_unusual_metric_needs_confirmation(api: Api, path: str) -> None:
    body = {"metrics": {"dpdt_max_mmhg_per_s": {"mean": 3000}}}
    assert api.put(path, body).json()["code"] == "needs_confirmation"
    assert not EpochMetric.objects.exists()
    (taken,) = api.put(path, body | {"confirmed": True}).json()
    assert taken["unusual"] is True


@pytest.mark.parametrize(
    ("metrics", "status", "field"),
    [
        ({"dpdt_max_mmhg_per_s": {"mean": 5000}}, 422, "dpdt_max_mmhg_per_s"),
        ({"mood": {"mean": 3}}, 422, "mood"),
        ({"sv_ml": {"mean": "inf"}}, 400, "metrics.sv_ml.mean"),
        ({"sv_ml": {"mean": 60, "sd": -1}}, 400, "metrics.sv_ml.sd"),
        ({"sv_ml": {"mean": 60, "beats": 0}}, 400, "metrics.sv_ml.beats"),
        ({"sv_ml": 60}, 400, "metrics.sv_ml"),
        ({}, 400, "metrics"),
    ],
)
def test_wrong_metrics_are_refused_together(
    api: Api, path: str, metrics: dict[str, object], status: int, field: str
) -> None:
    answer = api.put(path, {"metrics": metrics})
    assert answer.status_code == status, answer.content
    assert field in answer.json()["fields"]
    assert not EpochMetric.objects.exists()


def test_epoch_of_another_centre_is_not_found(api: Api, elsewhere: World) -> None:
    epoch = make_epoch(make_session(elsewhere.patient))
    answer = api.put(f"epochs/{epoch.pk}/metrics", {"metrics": {"sv_ml": {"mean": 60}}})
    assert answer.status_code == 404


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"metrics": {"sv_ml": {"mean": 61.5, "SD": 4}}}, "metrics.sv_ml.SD"),
        ({"metrics": {"sv_ml": {"mean": 61.5}}, "reason": "typing error"}, "reason"),
    ],
)
def test_field_that_is_not_known_is_refused_and_nothing_is_entered(
    api: Api, path: str, body: dict[str, object], field: str
) -> None:
    answer = api.put(path, body)
    assert answer.status_code == 400
    assert list(answer.json()["fields"]) == [field]
    assert not EpochMetric.objects.exists()
