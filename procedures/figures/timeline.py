"""The session as it went: each epoch's value in order of time, over the baseline that the model fitted."""

from __future__ import annotations

import plotly.graph_objects as go

from procedures.figures.style import BAND, BASELINE_DASH, INK, SiteStyle, base_layout, short
from procedures.selectors.comparison import SessionComparison
from procedures.selectors.observations import BASELINE


def timeline(comparison: SessionComparison, styles: dict[str, SiteStyle]) -> go.Figure:
    """Draw epoch means against minutes into the session, the fitted baseline as a dashed line with its 95 % band."""
    figure = go.Figure()
    drawing = comparison.summary.drawing if comparison.summary else {}
    metric = comparison.metric
    if not drawing or metric is None:
        return figure
    drift = drawing["drift"]
    minutes = [t / 60.0 for t in drift["times_s"]]
    figure.add_scatter(
        x=minutes + minutes[::-1], y=drift["high"] + drift["low"][::-1], fill="toself", fillcolor=BAND, mode="none",
        hoverinfo="skip", name="95 % band",
    )  # fmt: skip
    figure.add_scatter(
        x=minutes, y=drift["values"], mode="lines", name="fitted baseline", hoverinfo="skip",
        line={"color": INK, "width": 2, "dash": BASELINE_DASH},
    )  # fmt: skip
    epochs = drawing["epochs"]
    for state in dict.fromkeys(epoch["state"] for epoch in epochs):
        own = [epoch for epoch in epochs if epoch["state"] == state]
        style = styles.get(state)
        if state != BASELINE and style is None:
            continue
        figure.add_scatter(
            x=[epoch["time_s"] / 60.0 for epoch in own],
            y=[epoch["value"] for epoch in own],
            mode="markers+text" if style else "markers",
            text=[short(state, 12)] * len(own) if style else None,
            textposition="top center",
            cliponaxis=False,
            name=state,
            marker={
                "symbol": style.shape if style else "circle-open",
                "size": 13,
                "color": style.colour if style else INK,
                "line": {"width": 0 if style else 2, "color": INK},
            },
            hovertemplate=f"{state}: %{{y:.{metric.decimals}f}} {metric.unit} at %{{x:.1f}} min<extra></extra>",
        )
    figure.update_layout(base_layout(height=430))
    figure.add_annotation(
        x=minutes[-1], y=drift["values"][-1], text="fitted baseline", showarrow=False, xanchor="right", yanchor="top",
        yshift=-6, font={"size": 14},
    )  # fmt: skip
    figure.update_xaxes(title={"text": "Minutes into the session"}, zeroline=False)
    figure.update_yaxes(
        title={"text": f"{metric.label} ({metric.unit})" if metric.unit else metric.label}, zeroline=False
    )
    return figure
