"""Proportions of a year with their intervals."""

from __future__ import annotations

from typing import Any

from analytics.selectors.audit import Overview, Proportion

# Okabe-Ito in its published order, those that reach 3:1 on white as lines; each colour has its own shape.
# Black is drawn in the colour of ink, so that it holds in the dark theme.
_LOOKS = (
    ("Procedure", {"implant-success", "decision-matched"}, "#000000", "circle"),
    ("Outcome", {"response"}, "#009E73", "diamond"),
    ("Safety", {"complication", "death"}, "#0072B2", "square"),
)


def proportions_figure(overview: Overview) -> dict[str, Any]:
    """Return the figure as ``{data, layout}``; no data when nothing was counted."""
    # Imported here: building figures is the only use of a library that takes half a second to load.
    from plotly import graph_objects as go

    figure = go.Figure(layout={"template": "none"})
    shown = [one for one in overview.proportions if one.total and not one.indicator.part_of]
    for name, keys, colour, symbol in _LOOKS:
        ours = [one for one in shown if one.indicator.key in keys]
        if not ours:
            continue
        figure.add_trace(
            go.Scatter(
                name=name,
                x=[round(one.percent or 0, 2) for one in ours],
                y=[one.indicator.label for one in ours],
                mode="markers+text",
                text=[_label(one) for one in ours],
                textposition=[_beside(one) for one in ours],
                cliponaxis=False,
                marker={"color": colour, "symbol": symbol, "size": 13},
                error_x={
                    "type": "data",
                    "symmetric": False,
                    "array": [round((one.high_percent or 0) - (one.percent or 0), 2) for one in ours],
                    "arrayminus": [round((one.percent or 0) - (one.low_percent or 0), 2) for one in ours],
                    "color": colour,
                    "thickness": 2,
                    "width": 6,
                },
                hovertemplate="%{y}: %{text}<extra></extra>",
            )
        )
    order = [one.indicator.label for one in shown]
    figure.update_layout(
        showlegend=False,
        xaxis={"range": [-4, 104], "title": {"text": "Sessions (%), 95 % Wilson interval"}, "zeroline": False},
        yaxis={"categoryorder": "array", "categoryarray": order[::-1], "range": [-0.5, len(order) - 0.3]},
    )
    return dict(figure.to_plotly_json())


def _label(one: Proportion) -> str:
    return f"{one.counted} of {one.total}, {one.percent:.0f} %"


def _beside(one: Proportion) -> str:
    """Keep a label inside the figure at both ends of the axis."""
    percent = one.percent or 0
    return "top right" if percent < 8 else "top left" if percent > 92 else "top center"
