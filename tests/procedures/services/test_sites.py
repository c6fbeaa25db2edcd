"""Writing tributaries, sites and measurements: idempotent, versioned, confirmed where unusual."""

import pytest

from procedures.models import LeadMeasurement, Site, Tributary
from procedures.services.sites import GridCell, put_electrode_grid, put_measurement, put_site, put_tributary
from registry.errors import AccessDenied, Conflict, NeedsConfirmation, RuleBroken
from registry.models import Change, Role, new_key
from tests.factories import make_session, make_site, make_tributary, make_user, writer_of

pytestmark = pytest.mark.django_db


def test_tributary_named_again_is_found_not_doubled():
    session = make_session()
    by = writer_of(session.centre)
    first = put_tributary(by=by, session=session, vein="lateral")
    assert put_tributary(by=by, session=session, vein="lateral") == first
    assert put_tributary(by=by, session=session, vein="lateral", ordinal=2) != first


def test_same_key_same_values_is_a_replay():
    tributary, key = make_tributary(), new_key()
    arguments = {"by": writer_of(tributary.session.centre), "session": tributary.session, "tributary": tributary}
    first = put_site(key=key, label="A", **arguments)
    links = Change.objects.count()
    again = put_site(key=key, label="A", **arguments)
    assert (again.pk, again.version) == (first.pk, 1)
    assert Site.objects.count() == 1
    assert Change.objects.count() == links


def test_same_key_other_values_without_version_is_a_conflict():
    tributary, key = make_tributary(), new_key()
    arguments = {"by": writer_of(tributary.session.centre), "session": tributary.session, "tributary": tributary}
    put_site(key=key, label="A", **arguments)
    with pytest.raises(Conflict) as caught:
        put_site(key=key, label="B", **arguments)
    assert caught.value.yours["label"] == "B"
    assert caught.value.stored["label"] == "A"
    assert Site.objects.get(pk=key).label == "A"


def test_change_under_stale_version_shows_both_and_keeps_the_stored_one():
    site = make_site(label="A")
    arguments = {
        "by": writer_of(site.session.centre),
        "session": site.session,
        "tributary": site.tributary,
        "key": site.pk,
    }
    put_site(label="B", version=1, **arguments)
    with pytest.raises(Conflict) as caught:
        put_site(label="C", version=1, **arguments)
    assert caught.value.stored == {"tributary": str(site.tributary), "label": "B", "version": 2}
    assert Site.objects.get(pk=site.pk).label == "B"


def test_key_of_another_session_is_not_found():
    site = make_site(label="A")
    other = make_tributary()
    with pytest.raises(Site.DoesNotExist):
        put_site(
            by=writer_of(other.session.centre),
            session=other.session,
            tributary=other,
            label="B",
            key=site.pk,
            version=1,
        )


def test_tributary_of_another_session_is_not_found():
    mine, other = make_tributary(), make_tributary()
    with pytest.raises(Tributary.DoesNotExist):
        put_site(by=writer_of(mine.session.centre), session=mine.session, tributary=other, label="A")


def test_not_reached_needs_a_reason_of_the_list():
    tributary = make_tributary()
    with pytest.raises(RuleBroken):
        make_site(tributary, reached=False)
    with pytest.raises(RuleBroken) as caught:
        make_site(tributary, reached=False, not_reached_reason="bored")
    assert "not_reached_reason" in caught.value.fields
    assert make_site(tributary, reached=False, not_reached_reason="stenosis").pk


def test_nothing_is_measured_at_a_site_never_reached():
    site = make_site(reached=False, not_reached_reason="stenosis")
    by = writer_of(site.session.centre)
    cell = GridCell("LV1", "LV2", new_key(), {"capture_threshold_v": 1.0})
    with pytest.raises(RuleBroken, match="not reached"):
        put_measurement(by=by, site=site, impedance_ohm=600.0)
    with pytest.raises(RuleBroken, match="not reached"):
        put_electrode_grid(by=by, site=site, cells=[cell], pulse_width_ms=0.5)
    assert not LeadMeasurement.objects.exists()


def test_measurement_made_before_the_position_was_given_up_can_be_sent_again_and_corrected():
    site, key = make_site(), new_key()
    by = writer_of(site.session.centre)
    put_measurement(by=by, site=site, key=key, impedance_ohm=600.0)
    given_up = {"reached": False, "not_reached_reason": "high_threshold"}
    put_site(
        by=by, session=site.session, tributary=site.tributary, label=site.label, key=site.pk, version=1, **given_up
    )
    assert put_measurement(by=by, site=site, key=key, impedance_ohm=600.0).version == 1
    assert put_measurement(by=by, site=site, key=key, version=1, impedance_ohm=620.0).impedance_ohm == 620.0
    with pytest.raises(RuleBroken, match="not reached"):
        put_measurement(by=by, site=site, impedance_ohm=600.0)


def test_unusual_value_asks_once_and_is_kept_flagged():
    site = make_site()
    arguments = {"by": writer_of(site.session.centre), "site": site, "impedance_ohm": 2400.0}
    with pytest.raises(NeedsConfirmation) as caught:
        put_measurement(**arguments)
    assert list(caught.value.fields) == ["impedance_ohm"]
    assert not LeadMeasurement.objects.exists()
    assert put_measurement(confirmed=True, **arguments).confirmed_unusual == ["impedance_ohm"]


def test_impossible_value_is_refused_beside_its_field_even_when_confirmed():
    site = make_site()
    with pytest.raises(RuleBroken) as caught:
        put_measurement(by=writer_of(site.session.centre), site=site, impedance_ohm=20.0, confirmed=True)
    assert caught.value.fields == {"impedance_ohm": ["Enter a value from 50 to 5000, or leave it empty."]}
    assert not isinstance(caught.value, NeedsConfirmation)


def test_site_measured_twice_keeps_both():
    site = make_site()
    by = writer_of(site.session.centre)
    put_measurement(by=by, site=site, capture_threshold_v=1.0, pulse_width_ms=0.5)
    put_measurement(by=by, site=site, capture_threshold_v=1.2, pulse_width_ms=0.5)
    assert [m.capture_threshold_v for m in site.measurements.all()] == [1.0, 1.2]


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_role_without_the_right_writes_nothing(role):
    tributary = make_tributary()
    outsider = make_user(role, tributary.session.centre)
    with pytest.raises(AccessDenied, match="cannot change sessions"):
        put_site(by=outsider, session=tributary.session, tributary=tributary, label="A")


def test_member_of_another_centre_writes_nothing():
    tributary = make_tributary()
    with pytest.raises(AccessDenied):
        put_site(by=make_user(Role.PHYSICIAN), session=tributary.session, tributary=tributary, label="A")
