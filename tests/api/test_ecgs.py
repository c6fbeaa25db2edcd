"""Electrocardiograms and intervals over the API: read only, whole, and of the paced site."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from procedures.models import EcgMeasurement
from procedures.services.ecgs import put_reading, set_aside, withdraw_reading
from tests.api.conftest import Api, World
from tests.ecgs import stored_ecg
from tests.factories import make_epoch


@pytest.fixture(autouse=True)
def media(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path


def test_ecg_is_answered_whole_and_the_list_without_its_long_part(api: Api, world: World) -> None:
    ecg = stored_ecg(world.session, world.site)
    one = api.get(f"ecgs/{ecg.pk}").json()
    assert one["session"] == str(world.session.pk)
    assert one["site"] == str(world.site.pk)
    assert one["qrs_duration_ms"] == ecg.qrs_duration_ms == pytest.approx(150, abs=8)
    assert one["counts"] is True
    assert one["result"]["strict_lbbb"]["met"] == ecg.result["strict_lbbb"]["met"]
    assert set(one["result"]["leads"]) == {*("I", "II", "III", "aVR", "aVL", "aVF"), *(f"V{n}" for n in range(1, 7))}
    (listed,) = api.get("ecgs").json()["results"]
    assert listed == {name: value for name, value in one.items() if name != "result"}
    set_aside(by=world.physician, ecg=ecg, because="Limb leads reversed.")
    one = api.get(f"ecgs/{ecg.pk}").json()
    assert (one["counts"], one["excluded_reason"]) == (False, "Limb leads reversed.")


def test_ecg_of_an_epoch_is_of_the_site_and_standing_of_the_epoch(api: Api, world: World) -> None:
    stored_ecg(world.session, None, 170.0)
    ecg = stored_ecg(world.session, world.site)
    epoch = make_epoch(world.session, world.site)
    EcgMeasurement.objects.filter(pk=ecg.pk).update(epoch=epoch, site=None)
    (found,) = api.get("ecgs", site=world.site.pk).json()["results"]
    assert (found["id"], found["site"], found["epoch"]) == (str(ecg.pk), str(world.site.pk), str(epoch.pk))
    assert found["counts"] is True
    epoch.excluded_reason = "Coughing."
    epoch.save()
    assert api.get(f"ecgs/{ecg.pk}").json()["counts"] is False
    assert {one["site"] for one in api.get("ecgs", session=world.session.pk).json()["results"]} == {
        None,
        str(world.site.pk),
    }


def test_intervals_tell_typed_read_and_withdrawn_apart(api: Api, world: World) -> None:
    by, recording = world.physician, stored_ecg(world.session).recording
    marks = {"recording": recording, "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": 2.1, "to_s": 2.217}
    read = put_reading(by=by, session=world.session, site=world.site, kind="qlv", **marks)
    typed = put_reading(by=by, session=world.session, site=None, kind="qrs_duration", duration_ms=150)
    withdraw_reading(by=by, reading=read, because="Wrong beat.")
    one = api.get(f"interval-readings/{read.pk}").json()
    assert (one["origin"], one["duration_ms"], one["from_lead"], one["to_s"]) == ("calipers", 117, "ECG_II", 2.217)
    assert (one["recording"], one["excluded_reason"]) == (str(recording.pk), "Wrong beat.")
    other = api.get(f"interval-readings/{typed.pk}").json()
    assert (other["origin"], other["recording"], other["from_s"], other["site"]) == ("typed", None, None, None)
    (found,) = api.get("interval-readings", site=world.site.pk).json()["results"]
    assert found["id"] == str(read.pk)


def test_another_centres_are_not_found(api: Api, elsewhere: World) -> None:
    ecg = stored_ecg(elsewhere.session, elsewhere.site)
    reading = put_reading(
        by=elsewhere.physician, session=elsewhere.session, site=elsewhere.site, kind="qlv", duration_ms=110
    )
    for path in (f"ecgs/{ecg.pk}", f"interval-readings/{reading.pk}"):
        assert api.get(path).status_code == 404
    for path in ("ecgs", "interval-readings"):
        assert api.get(path, session=elsewhere.session.pk).json()["results"] == []


def test_lists_take_the_same_queries_for_one_and_for_many(api: Api, world: World) -> None:
    counts = []
    for seeds in (range(71, 72), range(72, 76)):
        for seed in seeds:
            stored_ecg(world.session, world.site, 150.0, seed)
            put_reading(by=world.physician, session=world.session, site=None, kind="qlv", duration_ms=float(seed))
        for path in ("ecgs", "interval-readings"):
            with CaptureQueriesContext(connection) as queries:
                assert len(api.get(path).json()["results"]) >= len(seeds)
            counts.append(len(queries))
    assert counts[:2] == counts[2:]
    assert max(counts) <= 4
