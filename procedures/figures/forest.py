"""Change of each site against baseline with its 95 % interval, best at the top."""

from __future__ import annotations

import plotly.graph_objects as go

from procedures.figures.responder import RESPONDER_LIMITS
from procedures.figures.style import INK, QUIET, SiteStyle, base_layout
from procedures.metrics import Direction
from procedures.selectors.comparison import SessionComparison
from procedures.selectors.comparison_words import signed

_ROW_PX = 56


def forest(comparison: SessionComparison, styles: dict[str, SiteStyle]) -> go.Figure:
    """Draw sites as rows: a marker with its interval, the zero line, the responder limit where one is published.

    The better side is always the right one: where lower is better the axis runs the other way, so that its numbers
    stay true.
    """
    rows = [row for row in comparison.rows if row.response]
    metric = comparison.metric
    figure = go.Figure()
    limit = RESPONDER_LIMITS.get(metric.key) if metric else None
    xs = [0.0] + ([limit.percent] if limit else [])
    for place, row in enumerate(rows):
        response, style = row.response, styles[row.site.label]
        if response is None:
            continue
        xs += [response.low_percent, response.high_percent]
        colour = style.colour
        figure.add_scatter(
            x=[response.change_percent],
            y=[place],
            mode="markers",
            name=row.site.label,
            marker={"symbol": style.shape, "size": 17, "color": colour},
            error_x={
                "type": "data",
                "array": [response.high_percent - response.change_percent],
                "arrayminus": [response.change_percent - response.low_percent],
                "color": colour,
                "thickness": 3.5,
                "width": 8,
            },
            hovertemplate=f"{row.site.label}: %{{x:+.1f}} %<extra></extra>",
        )
        if response.shrunken_change_percent is not None:
            figure.add_scatter(
                x=[response.shrunken_change_percent],
                y=[place],
                mode="markers",
                marker={"symbol": "line-ns", "size": 26, "line": {"color": INK, "width": 2.5}},
                hovertemplate=f"{row.site.label}, shrunken: %{{x:+.1f}} %<extra></extra>",
            )
    figure.update_layout(base_layout(height=120 + _ROW_PX * max(len(rows), 1), size=19))
    low, high = min(xs), max(xs)
    pad = 0.06 * ((high - low) or 1.0)
    span = [low - pad, high + pad]
    figure.update_xaxes(
        range=span[::-1] if metric and metric.direction is Direction.LOWER_IS_BETTER else span,
        ticksuffix=" %",
        zeroline=False,
        title={"text": "Change against baseline, better to the right"},
    )
    figure.update_yaxes(
        range=[len(rows) - 0.5, -0.5],
        tickvals=list(range(len(rows))),
        ticktext=[f"{row.site.label}  {styles[row.site.label].sign}" for row in rows],
        tickfont={"weight": 700},
        showgrid=False,
        zeroline=False,
    )
    figure.add_vline(x=0, line={"color": INK, "width": 2})
    if limit:
        figure.add_vline(x=limit.percent, line={"color": QUIET, "width": 2, "dash": "dot"})
        figure.add_annotation(
            x=limit.percent, y=1, yref="paper", yanchor="bottom", showarrow=False,
            text=f"responder limit {signed(limit.percent, 0)} %", font={"size": 15},
        )  # fmt: skip
    figure.add_annotation(
        x=0, y=1, yref="paper", yanchor="bottom", showarrow=False, text="baseline",
        font={"size": 15},
    )  # fmt: skip
    return figure
