"""The figure of a patient's course: ejection fraction and end-systolic volume over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from registry.models import Assessment
from registry.selectors.course import Implant

# Field, label with unit, colour of the Okabe-Ito palette that holds as a line on white, shape, vertical axis.
_PANELS = (
    ("lvef_percent", "LVEF (%)", "#000000", "circle", "y"),
    ("lvesv_ml", "LVESV (mL)", "#0072B2", "square", "y2"),
)


def course_figure(assessments: Sequence[Assessment], implants: Sequence[Implant]) -> dict[str, Any]:
    """Return the figure as ``{data, layout}``; no data when nothing was measured."""
    # Imported here: building figures is the only use of a library that takes half a second to load.
    from plotly import graph_objects as go

    figure = go.Figure(layout={"template": "none"})
    for field, label, colour, symbol, axis in _PANELS:
        measured = [(one.assessed_on, getattr(one, field)) for one in assessments if getattr(one, field) is not None]
        if measured:
            figure.add_trace(
                go.Scatter(
                    name=label,
                    x=[day.isoformat() for day, _ in measured],
                    y=[value for _, value in measured],
                    mode="lines+markers+text",
                    text=[f"{value:.0f}" for _, value in measured],
                    textposition="top center",
                    cliponaxis=False,
                    line={"color": colour, "width": 2},
                    marker={"color": colour, "symbol": symbol, "size": 11},
                    yaxis=axis,
                    hovertemplate="%{x}: %{y:.0f}<extra>" + label + "</extra>",
                )
            )
    for implant in implants:
        day = implant.implanted_on.isoformat()
        figure.add_shape(type="line", xref="x", yref="paper", x0=day, x1=day, y0=0, y1=1, line={"dash": "dot"})
        figure.add_annotation(x=day, y=1, yref="paper", yanchor="bottom", showarrow=False, text="implant")
    figure.update_layout(
        showlegend=False,
        xaxis={"type": "date", "anchor": "y2"},
        yaxis={"title": {"text": "LVEF (%)"}, "domain": [0.58, 1], "rangemode": "tozero"},
        yaxis2={"title": {"text": "LVESV (mL)"}, "domain": [0, 0.42], "rangemode": "tozero"},
    )
    return dict(figure.to_plotly_json())
