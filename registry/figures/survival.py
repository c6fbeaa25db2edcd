"""The survival of generators and leads as steps, one line for each kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from registry.clinical.survival import DAYS_PER_YEAR, Step
from registry.selectors.devices import Curve

# Okabe and Ito's palette by order; the dash differs too.
_LINES = (("#000000", "solid"), ("#0072B2", "dash"), ("#D55E00", "dot"), ("#009E73", "dashdot"))
_MARKS = ("circle", "square", "diamond", "triangle-up")


def survival_figure(curves: Sequence[Curve]) -> dict[str, Any]:
    """Return the figure as ``{data, layout}``: each line ends at the longest observation, with its name there."""
    # Imported here: building figures is the only use of a library that takes half a second to load.
    from plotly import graph_objects as go

    figure = go.Figure(layout={"template": "none"})
    lowest = 100.0
    for place, curve in enumerate(curves):
        colour, dash = _LINES[place % len(_LINES)]
        years = [0.0] + [step.days / DAYS_PER_YEAR for step in curve.steps] + [curve.longest_days / DAYS_PER_YEAR]
        shares = [100.0] + [100 * step.share for step in curve.steps]
        shares.append(shares[-1])
        lowest = min(lowest, shares[-1])
        notes = ["start"] + [_told(step) for step in curve.steps] + ["longest observation"]
        figure.add_trace(
            go.Scatter(
                name=curve.label,
                x=[round(year, 3) for year in years],
                y=[round(share, 2) for share in shares],
                mode="lines+markers",
                line={"shape": "hv", "color": colour, "dash": dash, "width": 2.5},
                marker={
                    "symbol": _MARKS[place % len(_MARKS)],
                    "color": colour,
                    "size": [0] + [9] * len(curve.steps) + [0],
                },
                text=notes,
                hovertemplate="%{x:.1f} years: %{y:.1f} %, %{text}<extra>" + curve.label + "</extra>",
            )
        )
    figure.update_layout(
        legend={"orientation": "h", "y": 1.12, "x": 0},
        showlegend=True,
        xaxis={"title": {"text": "Years in service"}, "rangemode": "tozero"},
        yaxis={"title": {"text": "Still in service (%)"}, "range": [max(0.0, 10 * (lowest // 10) - 10), 101]},
    )
    return dict(figure.to_plotly_json())


def _told(step: Step) -> str:
    interval = "" if step.low is None else f" ({step.low_percent} to {step.high_percent} %)"
    return f"{step.failures} failed of {step.at_risk} at risk{interval}"
