"""Volume of each segment through the cycle, baseline against one site: where the ventricle moves out of step."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from procedures.figures.loops import MOST_POINTS
from procedures.figures.style import BASELINE_DASH, INK, SiteStyle, base_layout, short
from procedures.selectors.loops import StateLoop

_PANEL_PX = 108


def segment_volumes(baseline: StateLoop | None, site: StateLoop | None, style: SiteStyle) -> go.Figure:
    """Draw one panel a segment, base at the top and apex at the bottom; segments count from the apex."""
    drawn = [
        (loop, colour, dash)
        for loop, colour, dash in ((baseline, INK, BASELINE_DASH), (site, style.colour, style.dash))
        if loop and loop.segments_ml
    ]
    if not drawn:
        return go.Figure()
    count = max(len(loop.segments_ml) for loop, _, _ in drawn)
    figure = make_subplots(rows=count, cols=1, shared_xaxes=True, vertical_spacing=0.02)
    figure.update_layout(base_layout(height=_PANEL_PX * count + 90, size=14))
    for loop, colour, dash in drawn:
        for k, volumes in enumerate(loop.segments_ml):
            step = -(-len(volumes) // MOST_POINTS)
            phase = np.round(np.linspace(0.0, 100.0, len(volumes))[::step], 2).tolist()
            row = count - k
            figure.add_scatter(
                x=phase,
                y=volumes[::step],
                mode="lines",
                name=loop.state,
                line={"color": colour, "width": 2.5, "dash": dash},
                hovertemplate=f"{loop.state}, V{k + 1}: %{{y:.1f}} mL<extra></extra>",
                row=row,
                col=1,
            )
            figure.update_yaxes(
                title={"text": _segment_name(k, count), "font": {"size": 13}},
                nticks=3, zeroline=False, row=row, col=1,
            )  # fmt: skip
    for i, (loop, colour, _) in enumerate(drawn):
        line = "╌╌" if loop is baseline else "━━"
        figure.add_annotation(
            x=0.02 + 0.3 * i, xref="paper", y=1.0, yref="paper", yanchor="bottom", xanchor="left", showarrow=False,
            text=f"{line} {short(loop.state)}", font={"color": colour, "size": 15, "weight": 700},
        )  # fmt: skip
    figure.update_xaxes(
        title={"text": "Part of the cycle (%)", "font": {"size": 13}}, ticksuffix=" %", row=count, col=1
    )
    return figure


def _segment_name(index: int, count: int) -> str:
    end = {0: " apex", count - 1: " base"}.get(index, "")
    return f"V{index + 1}{end}"
