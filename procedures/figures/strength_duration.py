"""Threshold against pulse width: what was measured, the fitted curve, twice the curve, and the programmed output."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from procedures.figures.style import COLOURS, INK, QUIET, base_layout
from procedures.limits import MIN_SAFETY_MARGIN
from procedures.selectors.lead_measurements import Pair

_STEPS = 80


def strength_duration(pair: Pair) -> go.Figure:
    """Draw one electrode pair; empty with fewer than two pulse widths."""
    if len(pair.points) < 2:
        return go.Figure()
    figure = go.Figure(layout=base_layout(height=320))
    widths = [point.width_ms for point in pair.points]
    output = pair.output if pair.output and pair.output.output_v and pair.output.output_width_ms else None
    reach = max(widths + ([output.output_width_ms or 0.0] if output else []))
    if pair.curve:
        along = np.linspace(0.8 * min(widths), 1.15 * reach, _STEPS)
        curve = np.array([pair.curve.threshold_v(width) for width in along])
        margin = f"{MIN_SAFETY_MARGIN:g} × the curve"
        for name, volts, line in (
            ("fitted curve", curve, {"color": INK, "width": 2}),
            (margin, MIN_SAFETY_MARGIN * curve, {"color": QUIET, "width": 2, "dash": "dash"}),
        ):
            figure.add_scatter(
                x=np.round(along, 4).tolist(),
                y=np.round(volts, 4).tolist(),
                mode="lines",
                line=line,
                hovertemplate=f"%{{x:.2f}} ms: %{{y:.2f}} V<extra>{name}</extra>",
            )
            figure.add_annotation(
                x=along[-1], y=float(volts[-1]), text=name, showarrow=False, xanchor="right", yshift=12
            )
    figure.add_scatter(
        x=widths,
        y=[point.threshold_v for point in pair.points],
        mode="markers+text",
        marker={"symbol": "circle", "size": 12, "color": COLOURS[0]},
        text=[f"{point.threshold_v:g} V" for point in pair.points],
        textposition="bottom left",
        hovertemplate="%{x:g} ms: %{y:g} V<extra>measured</extra>",
    )
    if output:
        figure.add_scatter(
            x=[output.output_width_ms],
            y=[output.output_v],
            mode="markers+text",
            marker={"symbol": "diamond-open", "size": 15, "color": COLOURS[1], "line": {"width": 3}},
            text=["programmed"],
            textposition="top center",
            hovertemplate="%{x:g} ms: %{y:g} V<extra>programmed output</extra>",
        )
    figure.update_xaxes(title_text="Pulse width (ms)", rangemode="tozero")
    figure.update_yaxes(title_text="Threshold (V)", rangemode="tozero")
    return figure
