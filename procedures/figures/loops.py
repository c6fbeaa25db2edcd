"""Average pressure-volume loops of baseline and of each site, laid over one another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from procedures.figures.style import BASELINE_DASH, INK, SiteStyle, base_layout, short
from procedures.selectors.loops import StateLoop
from procedures.selectors.observations import BASELINE

MOST_POINTS = 2000
# Where along ejection, from small volume to large, a loop's name points, and how far from it the name stands (px).
_NAME_PLACES = ((0.55, 0, -34), (0.92, 30, -34), (0.25, 0, -30), (0.75, 20, -48))


def closed(values: Sequence[float]) -> list[float]:
    """Return the values with the first repeated at the end, thinned to what a figure may hold."""
    step = -(-len(values) // (MOST_POINTS - 1)) if values else 1
    thinned = list(values[::step])
    return [*thinned, thinned[0]] if thinned else []


def pressure_volume(
    loops: Sequence[StateLoop], styles: dict[str, SiteStyle], *, stressed: Sequence[str] = ()
) -> go.Figure:
    """Draw one closed line a state; baseline is dashed ink.

    Parameters
    ----------
    stressed
        The sites to draw heavy and to name on the spot (the leading ones, the chosen one); the rest stay thin and are
        named in the legend.
    """
    figure = go.Figure()
    drawable = [loop for loop in loops if loop.volume_ml and loop.pressure_mmhg]
    drawable = [loop for loop in drawable if loop.state == BASELINE or loop.state in styles]
    places = iter(_NAME_PLACES)
    named: set[str] = set()  # a state drawn once for each visit is named once
    for loop in drawable:
        baseline = loop.state == BASELINE
        colour = INK if baseline else styles[loop.state].colour
        heavy = baseline or loop.state in stressed
        figure.add_scatter(
            x=closed(loop.volume_ml),
            y=closed(loop.pressure_mmhg),
            mode="lines",
            name=short(loop.state),
            legendgroup=loop.state,
            showlegend=loop.state not in named,
            line={
                "color": colour,
                "width": 3.5 if heavy else 1.4,
                "dash": BASELINE_DASH if baseline else styles[loop.state].dash,
            },
            hovertemplate=f"{loop.state}: %{{x:.0f}} mL, %{{y:.0f}} mmHg<extra></extra>",
        )
        if loop.state in named:
            continue
        named.add(loop.state)
        if baseline:
            _name(figure, loop, colour, (0.4, 0, 44))
        elif heavy and (place := next(places, None)):
            _name(figure, loop, colour, place)
    figure.update_layout(base_layout(height=560))
    figure.update_layout(
        showlegend=True,
        legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0, "itemsizing": "trace", "itemwidth": 44},
    )
    if drawable:
        volumes = np.concatenate([loop.volume_ml for loop in drawable])
        pad = 0.05 * float(np.ptp(volumes) or 1.0)
        figure.update_xaxes(range=[float(volumes.min()) - pad, float(volumes.max()) + pad])
        top = max(max(loop.pressure_mmhg) for loop in drawable)
        figure.update_yaxes(range=[min(0.0, *(min(loop.pressure_mmhg) for loop in drawable)), 1.18 * top])
    figure.update_xaxes(title={"text": "Left-ventricular volume (mL)"}, zeroline=False)
    figure.update_yaxes(title={"text": "Left-ventricular pressure (mmHg)"}, zeroline=False)
    return figure


def _name(figure: go.Figure, loop: StateLoop, colour: str, place: tuple[float, int, int]) -> None:
    """Write the state's name beside the ejection part of its loop, where pressure is high."""
    along, dx, dy = place
    pressure, volume = np.asarray(loop.pressure_mmhg), np.asarray(loop.volume_ml)
    high = np.flatnonzero(pressure > 0.75 * pressure.max())
    by_volume = high[np.argsort(volume[high])]
    at = by_volume[round(along * (by_volume.size - 1))]
    figure.add_annotation(
        x=float(volume[at]), y=float(pressure[at]), text=short(loop.state, 14), showarrow=True, arrowhead=0,
        arrowwidth=1.2, arrowcolor=colour, ax=dx, ay=dy, font={"size": 15, "weight": 700},
    )  # fmt: skip
