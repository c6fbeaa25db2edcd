"""Change of each site against baseline with its 95 % interval, best at the top."""

from __future__ import annotations

import plotly.graph_objects as go

from procedures.figures.responder import RESPONDER_LIMITS
from procedures.figures.style import INK, QUIET, SiteStyle, base_layout, short
from procedures.metrics import Direction
from procedures.selectors.comparison import SessionComparison, SiteRow
from procedures.selectors.comparison_words import signed

_ROW_PX = 58


def _warning(row: SiteRow) -> str:
    return " !" if row.concerns else " ?" if row.not_judged else ""


def forest(comparison: SessionComparison, styles: dict[str, SiteStyle]) -> go.Figure:
    """Draw sites as rows: a marker with its interval, the zero line, the responder limit where one is published.

    A site with an electrical concern carries an exclamation mark; one without, but not wholly judged, a question mark.

    The better side is always the right one: where lower is better the axis runs the other way, so that its numbers
    stay true.
    """
    rows = [row for row in comparison.rows if row.response]
    metric = comparison.metric
    lower = metric is not None and metric.direction is Direction.LOWER_IS_BETTER
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
        figure.add_scatter(
            x=[response.low_percent if lower else response.high_percent],
            y=[place],
            mode="text",
            text=[f" {signed(response.change_percent)}"],
            textposition="middle right",
            textfont={"weight": 700},
            cliponaxis=False,
            hoverinfo="skip",
        )
    figure.update_layout(base_layout(height=120 + _ROW_PX * max(len(rows), 1), size=19))
    low, high = min(xs), max(xs)
    width = (high - low) or 1.0
    # The better side is wider, for the numbers that stand there.
    span = [low - 0.24 * width, high + 0.05 * width] if lower else [low - 0.05 * width, high + 0.24 * width]
    figure.update_xaxes(
        range=span[::-1] if lower else span,
        ticksuffix=" %",
        zeroline=False,
        title={"text": "Change, better to the right"},
    )
    figure.update_yaxes(
        range=[len(rows) - 0.5, -0.5],
        tickvals=list(range(len(rows))),
        ticktext=[f"{short(row.site.label)}{_warning(row)}  {styles[row.site.label].sign}" for row in rows],
        tickfont={"weight": 700},
        showgrid=False,
        zeroline=False,
    )
    figure.add_vline(x=0, line={"color": INK, "width": 2})
    if limit:
        figure.add_vline(x=limit.percent, line={"color": QUIET, "width": 2, "dash": "dot"})
        figure.add_annotation(
            x=limit.percent, y=1, yref="paper", yanchor="bottom", showarrow=False,
            xanchor="right" if limit.percent > low + 0.75 * (high - low) else "center",
            text=f"responder {signed(limit.percent, 0)} %", font={"size": 15},
        )  # fmt: skip
    figure.add_annotation(
        x=0, y=1, yref="paper", yanchor="bottom", showarrow=False, text="baseline",
        font={"size": 15},
    )  # fmt: skip
    return figure
