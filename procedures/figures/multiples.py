"""Every ranked metric at once: one small panel a metric, one row a site, better always to the right."""

from __future__ import annotations

import math

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from procedures.figures.style import INK, SiteStyle, base_layout, short
from procedures.metrics import Direction
from procedures.selectors.comparison import SessionComparison

_COLUMNS = 3


def every_metric(comparison: SessionComparison, styles: dict[str, SiteStyle]) -> go.Figure:
    """Draw change with interval of each site in each metric; sites keep the row order of the metric shown.

    Where lower is better (an arrow says so) a panel's axis runs the other way, so that its numbers stay true.
    """
    rows = [row for row in comparison.rows if row.by_metric]
    metrics = [m for m in comparison.metrics if any(m.key in row.by_metric for row in rows)]
    if not rows or not metrics:
        return go.Figure()
    columns = min(_COLUMNS, len(metrics))
    lines = math.ceil(len(metrics) / columns)
    row_px = max(90 + 24 * len(rows), 150)
    titles = [m.label + (" ↓" if m.direction is Direction.LOWER_IS_BETTER else "") for m in metrics]
    figure = make_subplots(
        rows=lines, cols=columns, subplot_titles=titles, shared_yaxes=True,
        vertical_spacing=min(78 / (row_px * lines), 1 / lines), horizontal_spacing=0.04,
    )  # fmt: skip
    figure.update_layout(base_layout(height=row_px * lines + 40, size=14))
    for k, metric in enumerate(metrics):
        place = {"row": k // columns + 1, "col": k % columns + 1}
        values = [0.0]
        for j, row in enumerate(rows):
            response = row.by_metric.get(metric.key)
            if response is None:
                continue
            style = styles[row.site.label]
            values += [response.low_percent, response.high_percent]
            figure.add_scatter(
                x=[response.change_percent],
                y=[j],
                mode="markers",
                marker={"symbol": style.shape, "size": 11, "color": style.colour},
                error_x={
                    "array": [response.high_percent - response.change_percent],
                    "arrayminus": [response.change_percent - response.low_percent],
                    "color": style.colour,
                    "thickness": 2,
                    "width": 0,
                },
                hovertemplate=f"{row.site.label}, {metric.label}: %{{x:+.1f}} %<extra></extra>",
                **place,
            )
        pad = 0.08 * ((max(values) - min(values)) or 1.0)
        span = [min(values) - pad, max(values) + pad]
        lower = metric.direction is Direction.LOWER_IS_BETTER
        figure.update_xaxes(
            range=span[::-1] if lower else span, ticksuffix=" %", nticks=3, tickangle=0, zeroline=False, **place
        )
        figure.update_yaxes(
            range=[len(rows) - 0.4, -0.6],
            tickvals=list(range(len(rows))),
            ticktext=[short(row.site.label, 14) for row in rows],
            showgrid=False,
            zeroline=False,
            **place,
        )
        figure.add_vline(x=0, line={"color": INK, "width": 1.5}, **place)
    for title in figure.layout.annotations:
        title.font = {"size": 13}
    return figure
