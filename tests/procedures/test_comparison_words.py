from __future__ import annotations

import pytest

from procedures.selectors import comparison_words as words
from procedures.selectors.comparison import compare_session
from procedures.services.decisions import record_decision
from procedures.services.responses import refresh_responses
from tests.factories import enter, make_epoch, make_session, make_site, make_tributary, writer_of
from tests.procedures.comparing import KEY, recorded_session, typed_session

pytestmark = pytest.mark.django_db
NB = "\N{NO-BREAK SPACE}"


def test_headline_names_the_leader_and_says_when_it_is_decided() -> None:
    headline = words.headline(compare_session(typed_session({"A": 2.0, "B": 14.0}, visits=3)))
    assert headline.state == "decided"
    assert headline.message == f"B leads: dP/dt max +14.0{NB}%"
    assert headline.status == "Decided"


def test_headline_of_a_near_tie_is_not_decided_and_never_rounds_up_to_the_limit() -> None:
    compared = compare_session(typed_session({"A": 6.0, "B": 6.3}))
    compared.summary.decided = False
    ranking = next(item for item in compared.summary.advice if item["code"] in ("decided", "not_decided"))
    ranking["number"] = 94.9
    headline = words.headline(compared)
    assert headline.state == "open"
    assert f"probability 94{NB}%" in headline.certainty


def test_headline_warns_when_the_leader_does_not_beat_baseline() -> None:
    headline = words.headline(compare_session(typed_session({"A": -9.0, "B": -4.0})))
    assert "not clearly better than baseline" in headline.caveat


def test_headline_without_baseline_says_what_to_do() -> None:
    session = make_session()
    enter(make_epoch(session, make_site(make_tributary(session), "A")), KEY, 900)
    refresh_responses(session.pk)
    headline = words.headline(compare_session(session))
    assert headline.state == "refused"
    assert headline.message == "No baseline has been recorded, so changes cannot be calculated."
    assert "baseline epoch" in headline.to_do


def test_headline_with_baseline_only_and_with_nothing() -> None:
    session = typed_session({})
    assert words.headline(compare_session(session)).state == "refused"
    assert words.headline(compare_session(make_session())).state == "empty"


def test_single_site_has_nothing_to_rank() -> None:
    headline = words.headline(compare_session(typed_session({"A": 5.0})))
    assert (headline.state, headline.message) == ("single", f"A: dP/dt max +5.0{NB}%")


def test_advice_names_epochs_by_state_and_time_not_by_key() -> None:
    compared = compare_session(typed_session({"A": 5.0, "B": 5.2}))
    key = next(iter(compared.epoch_names))
    compared.summary.advice.append({"code": "settling_too_short", "sentence": f"Epoch {key} still changed by 4.0 %."})
    said = words.advice(compared)[-1]
    assert key not in said
    assert said == f"The epoch {compared.epoch_names[key]} still changed by 4.0 %."
    assert compared.epoch_names[key] == "baseline at 09:00:00"


def test_decision_words_say_whether_the_site_led() -> None:
    session = typed_session({"A": 5.0, "B": 11.0})
    assert words.decision_words(compare_session(session)) == "No decision has been recorded."
    by = writer_of(session.centre)
    record_decision(by=by, session=session, site=session.sites.get(label="A"), reason="Lower threshold.", metric=KEY)
    said = words.decision_words(compare_session(session))
    assert said == "Chosen by the physician: A, not the leading site by dP/dt max at that time."
    record_decision(by=by, session=session, site=None, reason="None was stable.", metric=KEY)
    assert words.decision_words(compare_session(session)) == "No site was chosen."


def test_origin_is_always_said() -> None:
    assert compare_session(typed_session({"A": 5.0})).origin_words == "entered by hand"
    session = recorded_session({"A": 5.0})
    assert compare_session(session).origin_words == "computed from recordings"
    enter(session.epochs.first(), "stroke_work_mmhg_ml", 3100)  # beside a computed value, which counts
    assert compare_session(session).origin_words == "computed from recordings"
    enter(make_epoch(session, session.sites.get(), start_s=900), "stroke_work_mmhg_ml", 3100)
    assert compare_session(session).origin_words == "partly computed from recordings, partly entered by hand"


@pytest.mark.parametrize(
    ("value", "said"), [(3.14, "+3.1"), (-0.26, "−0.3"), (0.04, "0.0"), (-0.04, "0.0"), (None, "–")]
)
def test_signed_writes_a_true_minus_and_no_sign_on_zero(value: float | None, said: str) -> None:
    assert words.signed(value) == said


@pytest.mark.parametrize(
    ("value", "said"), [(0.0, f"<{NB}1{NB}%"), (0.53, f"53{NB}%"), (1.0, f">{NB}99{NB}%"), (None, "–")]
)
def test_probability_is_never_nought_or_certain(value: float | None, said: str) -> None:
    assert words.probability(value) == said


def test_order_stability_says_when_the_raw_order_differs() -> None:
    compared = compare_session(typed_session({"A": 5.0, "B": 9.0}))
    assert "the same order" in words.order_stability(compared)
    compared.rows[0].response.change_percent = 1.0
    assert words.order_stability(compared) == "By the measured change alone the order would be A, B."


def test_site_with_values_around_zero_says_so_in_words() -> None:
    session = make_session()
    site = make_site(make_tributary(session), "A")
    for minute, (where, value) in enumerate([(None, 4.0), (site, -1.0), (None, 3.0), (site, 1.0), (None, -0.5)]):
        enter(make_epoch(session, where, start_s=60 * minute), "edp_mmhg", value, sd=0.5, confirmed=True)
    refresh_responses(session.pk)
    row = compare_session(session, "edp_mmhg").rows[0]
    assert "linear_scale" in row.response.flags
    assert len(words.site_notes(row)) == len(row.response.flags)
    assert any("linear scale" in note for note in words.site_notes(row))
