"""The figures, from sessions in the database."""

from __future__ import annotations

import json
from typing import Any

import pytest

from procedures.figures.captions import captions
from procedures.figures.forest import forest
from procedures.figures.loops import MOST_POINTS, closed, pressure_volume
from procedures.figures.multiples import every_metric
from procedures.figures.segments import segment_volumes
from procedures.figures.style import INK, site_styles
from procedures.figures.timeline import timeline
from procedures.models import Session
from procedures.selectors.comparison import SessionComparison, compare_session
from procedures.selectors.loops import StateLoop, state_loops
from tests.procedures.comparing import KEY, STROKE_WORK, recorded_session, typed_session

pytestmark = pytest.mark.django_db


def _compared(session: Session, key: str | None = None) -> tuple[SessionComparison, dict[str, Any]]:
    compared = compare_session(session, key)
    return compared, site_styles([site.label for site in compared.sites])


def _drawn(figure: Any) -> dict[str, Any]:
    return json.loads(figure.to_json())


def test_forest_orders_sites_and_draws_what_the_table_says() -> None:
    compared, styles = _compared(typed_session({"A": 3.0, "B": 9.0, "C": 6.0}))
    figure = _drawn(forest(compared, styles))
    named = [trace for trace in figure["data"] if trace.get("name")]
    assert [trace["name"] for trace in named] == ["B", "C", "A"]
    assert [trace["y"] for trace in named] == [[0], [1], [2]]
    best = compared.rows[0].response
    assert named[0]["x"] == [best.change_percent]
    assert named[0]["x"][0] + named[0]["error_x"]["array"][0] == pytest.approx(best.high_percent)
    assert named[0]["x"][0] - named[0]["error_x"]["arrayminus"][0] == pytest.approx(best.low_percent)
    assert named[0]["marker"] == {"color": styles["B"].colour, "symbol": styles["B"].shape, "size": 17}
    texts = [note["text"] for note in figure["layout"]["annotations"]]
    assert texts == ["responder +10 %", "baseline"]
    assert {shape["x0"] for shape in figure["layout"]["shapes"]} == {0, 10.0}


def test_forest_has_no_responder_line_where_no_limit_is_published() -> None:
    compared, styles = _compared(typed_session({"A": 3.0}, key="sv_ml", level=60.0))
    assert [note["text"] for note in _drawn(forest(compared, styles))["layout"]["annotations"]] == ["baseline"]


def test_better_is_to_the_right_also_where_lower_is_better() -> None:
    compared, styles = _compared(typed_session({"A": -8.0, "B": 4.0}, key="edp_mmhg", level=20.0))
    low, high = _drawn(forest(compared, styles))["layout"]["xaxis"]["range"]
    assert low > high  # reversed: the fall stands on the right, under its true number
    assert compared.rows[0].site.label == "A"
    panel = _drawn(every_metric(compared, styles))["layout"]["xaxis"]["range"]
    assert panel[0] > panel[1]


def test_forest_marks_sites_with_an_electrical_concern() -> None:
    session = typed_session({"A": 3.0, "B": 5.0})
    session.sites.filter(label="A").update(stability="unstable")
    compared, styles = _compared(session)
    ticks = _drawn(forest(compared, styles))["layout"]["yaxis"]["ticktext"]
    assert [" !" in tick for tick in ticks] == [False, True]


def test_every_metric_draws_one_panel_a_metric_with_the_same_rows() -> None:
    session = recorded_session({"A": 12.0, "B": 4.0})
    compared, styles = _compared(session)
    figure = _drawn(every_metric(compared, styles))
    assert len(figure["data"]) == len(compared.metrics) * 2
    assert [note["text"] for note in figure["layout"]["annotations"]] == ["Stroke work"]


def test_timeline_draws_each_epoch_over_the_fitted_baseline() -> None:
    compared, styles = _compared(typed_session({"A": 3.0, "B": 5.0}, visits=3))
    figure = _drawn(timeline(compared, styles))
    by_name = {trace["name"]: trace for trace in figure["data"]}
    assert len(by_name["A"]["x"]) == 3
    assert len(by_name["baseline"]["x"]) == 7
    assert by_name["fitted baseline"]["line"]["dash"] == "dash"
    assert by_name["fitted baseline"]["y"] == pytest.approx([800.0] * len(by_name["fitted baseline"]["y"]), rel=1e-3)


def test_loops_are_closed_and_baseline_is_dashed_ink() -> None:
    session = recorded_session({"A": 12.0, "B": 4.0})
    compared, styles = _compared(session)
    figure = _drawn(pressure_volume(state_loops(session), styles, stressed=["A"]))
    by_name = {trace["name"]: trace for trace in figure["data"]}
    assert list(by_name) == ["baseline", "A", "B"]
    assert by_name["baseline"]["line"]["color"] == INK
    assert by_name["baseline"]["line"]["dash"] == "dash"
    assert by_name["A"]["line"]["color"] == styles["A"].colour
    assert by_name["A"]["line"]["width"] > by_name["B"]["line"]["width"]
    for trace in by_name.values():
        assert (trace["x"][0], trace["y"][0]) == (trace["x"][-1], trace["y"][-1])
    assert {note["text"] for note in figure["layout"]["annotations"]} == {"baseline", "A"}
    assert compared.leader


def test_segments_stand_base_over_apex() -> None:
    session = recorded_session({"A": 12.0})
    loops = {loop.state: loop for loop in state_loops(session)}
    figure = _drawn(segment_volumes(loops["baseline"], loops["A"], site_styles(["A"])["A"]))
    assert len(figure["data"]) == 6
    assert figure["layout"]["yaxis"]["title"]["text"] == "V3 base"
    assert figure["layout"]["yaxis3"]["title"]["text"] == "V1 apex"
    assert {trace["name"] for trace in figure["data"]} == {"baseline", "A"}


@pytest.mark.parametrize("points", [0, 1, 101, 1999, 2000, 5001])
def test_no_trace_holds_more_points_than_a_figure_may(points: int) -> None:
    drawn = closed([float(i) for i in range(points)])
    assert len(drawn) <= MOST_POINTS
    assert not drawn or drawn[0] == drawn[-1]


def test_figures_of_nothing_are_empty() -> None:
    styles = site_styles(["A"])
    assert not segment_volumes(None, None, styles["A"]).data
    assert not pressure_volume([StateLoop("A", [], [], [])], styles).data
    compared, _ = _compared(typed_session({}))
    assert not timeline(compared, styles).data
    assert not every_metric(compared, styles).data


def test_text_in_figures_needs_no_inline_style() -> None:
    """Markup inside a figure's text becomes a style attribute, which the content-security policy refuses."""
    session = recorded_session({"A": 12.0, "B": 4.0})
    compared, styles = _compared(session)
    loops = {loop.state: loop for loop in state_loops(session)}
    for figure in (
        forest(compared, styles), every_metric(compared, styles), timeline(compared, styles),
        pressure_volume(list(loops.values()), styles), segment_volumes(loops["baseline"], loops["A"], styles["A"]),
    ):  # fmt: skip
        text = json.dumps(_drawn(figure)).replace("<extra></extra>", "")
        assert "<" not in text


def test_captions_say_the_message() -> None:
    compared, _ = _compared(typed_session({"A": 3.0, "B": 9.0}))
    said = captions(compared, "B")
    assert said["sites"].title.startswith("B: +9.0\N{NO-BREAK SPACE}% (")
    assert "right-ventricular pacing" in said["sites"].subtitle
    assert said["metrics"].title == "B is first in 1 of 1 metrics"
    assert said["timeline"].title == "No drift of the baseline found"
    assert captions(_compared(typed_session({}))[0], None) == {}


def test_same_colour_in_another_metric_where_the_order_differs() -> None:
    session = typed_session({"A": 9.0, "B": 3.0})
    compared, styles = _compared(session, KEY)
    first = {trace["name"]: trace["marker"] for trace in _drawn(forest(compared, styles))["data"] if trace.get("name")}
    session.responses.filter(site__label="A").update(change_percent=1.0, low_percent=0.0, high_percent=2.0, rank=2)
    session.responses.filter(site__label="B").update(rank=1)
    compared, styles = _compared(session, KEY)
    drawn = _drawn(forest(compared, styles))["data"]
    assert [trace["name"] for trace in drawn if trace.get("name")] == ["B", "A"]
    assert {trace["name"]: trace["marker"] for trace in drawn if trace.get("name")} == first
    assert STROKE_WORK not in {metric.key for metric in compared.metrics}
