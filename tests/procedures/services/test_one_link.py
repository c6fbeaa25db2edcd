"""An epoch with its metrics is one act and one link; tablets and the page of a metric still learn of each metric."""

import datetime as dt

import pytest
from django.urls import reverse

from procedures.metrics import BY_KEY
from procedures.models import Amendment, Epoch, EpochMetric
from procedures.selectors.bedside import changed_since, cursor_of
from procedures.services.epochs import TypedMetric, enter_metrics, put_epoch
from procedures.services.sessions import sign_session
from registry.errors import NeedsConfirmation, RuleBroken
from registry.models import Change
from registry.selectors.changes import changes_of, rows
from registry.trail.verify import faults
from tests import factories as make
from tests.revealing import revealed

pytestmark = pytest.mark.django_db
KEYS = [key for key, metric in BY_KEY.items() if metric.hard_low < metric.soft_low][:10]
KINDS = {"procedures.epoch", "procedures.epochmetric"}


def typed(shift=0.0):
    return {
        key: TypedMetric(round((BY_KEY[key].soft_low + BY_KEY[key].soft_high) / 2 + shift, 4), 1.0, 30) for key in KEYS
    }


@pytest.fixture
def session():
    return make.make_session()


def an_epoch(session, start=0, **values):
    began = make.START + dt.timedelta(seconds=start)
    return put_epoch(
        by=make.writer_of(session.centre),
        session=session,
        site=None,
        started_at=began,
        ended_at=began + dt.timedelta(seconds=30),
        **values,
    )


def test_twenty_epochs_with_ten_metrics_are_twenty_links(session):
    before = Change.objects.count()
    for number in range(20):
        an_epoch(session, 60 * number, metrics=typed())

    links = list(Change.objects.all())[before:]
    assert EpochMetric.objects.count() == 200
    assert [one.record_type for one in links] == ["procedures.epoch"] * 20
    assert sum(len(one.values) for one in links) < 30_000
    assert list(faults()) == []


def test_a_link_holds_the_values_of_every_metric(session):
    epoch = an_epoch(session, metrics=typed())

    held = revealed(Change.objects.get(record_id=epoch.pk))

    told = held["with"]["procedures.epochmetric"]
    stored = {str(one.pk): one for one in EpochMetric.objects.all()}
    assert told.keys() == stored.keys()
    assert len(told) == 10
    for key, one in told.items():
        assert (one["action"], one["new"]["key"], float(one["new"]["mean"])) == (
            "created", stored[key].key, stored[key].mean,
        )  # fmt: skip


@pytest.mark.parametrize("values", ["mean = 901", "beats = 7", "sd = NULL"])
def test_a_metric_changed_by_sql_is_found(session, values):
    epoch = make.make_epoch(session)
    make.enter(epoch)
    name, _, value = values.partition(" = ")
    EpochMetric.objects.update(**{name: None if value == "NULL" else float(value)})

    (found,) = faults()

    assert found.startswith("procedures.epochmetric")
    assert found.endswith(f": {name}.")


def test_a_metric_added_or_removed_by_sql_is_found(session):
    epoch = an_epoch(session, metrics=typed())
    gone = EpochMetric.objects.filter(key=KEYS[0]).get()
    EpochMetric.objects.filter(pk=gone.pk).delete()
    added = EpochMetric.objects.create(epoch=epoch, key=KEYS[0], mean=typed()[KEYS[0]].mean, origin="entered")

    said = sorted(faults())

    assert len(said) == 2
    assert any(f"{gone.pk}: the row is gone" in one for one in said)
    assert any(f"{added.pk}: the row has no link" in one for one in said)


def test_a_corrected_metric_is_one_more_link_and_the_page_shows_both(session):
    epoch = an_epoch(session, metrics=typed())
    by = make.writer_of(session.centre)
    one = EpochMetric.objects.get(key=KEYS[0])
    enter_metrics(by=by, epoch=epoch, metrics={KEYS[0]: TypedMetric(one.mean + 1, 1.0, 30, version=1)})

    shown = rows(changes_of(by, "procedures.epochmetric", one.pk), "procedures.epochmetric", one.pk)

    assert [(row.action, [field.label for field in row.fields if field.label == "Mean"]) for row in shown] == [
        ("changed", ["Mean"]),
        ("created", ["Mean"]),
    ]
    of_epoch = rows(changes_of(by, "procedures.epoch", epoch.pk), "procedures.epoch", epoch.pk)
    assert f"Epoch metric {KEYS[0]}: mean" in [field.label for field in of_epoch[0].fields]
    assert list(faults()) == []


def test_the_same_again_leaves_no_link(session):
    epoch = an_epoch(session, metrics=typed())
    links = Change.objects.count()

    enter_metrics(by=make.writer_of(session.centre), epoch=epoch, metrics=typed())
    an_epoch(session, key=epoch.pk, metrics=typed())

    assert Change.objects.count() == links


def test_tablets_learn_of_the_epoch_and_of_each_metric(session):
    before = cursor_of(session.centre_id)
    epoch = an_epoch(session, metrics=typed())
    make.make_epoch(session, start_s=100)
    told = changed_since(session.centre_id, before, cursor_of(session.centre_id), KINDS)

    assert told.written["procedures.epochmetric"] == set(EpochMetric.objects.values_list("pk", flat=True))
    assert told.written["procedures.epoch"] == set(Epoch.objects.values_list("pk", flat=True))
    assert told.deleted == set()

    later = cursor_of(session.centre_id)
    enter_metrics(
        by=make.writer_of(session.centre),
        epoch=epoch,
        metrics={KEYS[0]: TypedMetric(typed(1)[KEYS[0]].mean, version=1)},
    )  # fmt: skip
    told = changed_since(session.centre_id, later, cursor_of(session.centre_id), {"procedures.epochmetric"})
    assert EpochMetric.objects.get(key=KEYS[0]).pk in told.written["procedures.epochmetric"]
    assert set(told.written) == {"procedures.epochmetric"}


def test_the_bedside_page_is_sent_the_metric_that_changed(client, session):
    by = make.writer_of(session.centre)
    client.force_login(by)
    epoch = an_epoch(session, metrics=typed())
    whole = client.get(reverse("api:bedside_session", args=[session.pk])).json()
    assert len(whole["records"]["metrics"]) == 10

    enter_metrics(by=by, epoch=epoch, metrics={KEYS[0]: TypedMetric(typed(1)[KEYS[0]].mean, 1.0, 30, version=1)})
    part = client.get(reverse("api:bedside_session", args=[session.pk]), {"since": whole["cursor"]}).json()

    assert part["whole"] is False
    sent = {one["metric"]: one["mean"] for one in part["records"]["metrics"]}
    assert sent[KEYS[0]] == pytest.approx(typed(1)[KEYS[0]].mean)


def test_all_or_nothing_is_written(session):
    strange = BY_KEY[KEYS[0]]
    with pytest.raises(NeedsConfirmation):
        an_epoch(session, metrics={KEYS[0]: TypedMetric((strange.hard_low + strange.soft_low) / 2)})
    with pytest.raises(RuleBroken):
        an_epoch(session, metrics={"speed": TypedMetric(3)})

    assert not Epoch.objects.exists()
    assert not Change.objects.filter(record_type="procedures.epoch").exists()


def test_on_a_signed_session_the_act_is_one_amendment(session):
    by = make.writer_of(session.centre)
    sign_session(by=by, session=make.end_session(session))

    an_epoch(session, metrics=typed(), reason="found in the notes")

    assert [one.reason for one in Amendment.objects.all()] == ["found in the notes"]
    assert list(faults()) == []
