"""The signals of a recording, thinned for the screen, with the epochs over them and the beats below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from django.utils.html import escape

from procedures.figures.style import INK
from procedures.models import Epoch
from procedures.selectors.beats import SeenBeat
from procedures.selectors.drawn_signals import Envelope

# Share of the height under the signals that the beats have: about a finger's width.
BEAT_STRIP = 0.11
# A baseline is hatched by its word and its paler tint, never by colour alone.
_BASELINE_FILL, _SITE_FILL = "rgba(140,140,140,0.16)", "rgba(0,114,178,0.20)"


def signals_figure(
    panels: Sequence[tuple[str, Envelope]],
    start_s: float,
    end_s: float,
    *,
    epochs: Sequence[Epoch],
    beats: Sequence[SeenBeat],
) -> dict[str, Any]:
    """Return signals between two times, with epochs over them and beats below; no data without a known channel."""
    if not panels:
        return {"data": []}
    data = [_trace(index, name, envelope) for index, (name, envelope) in enumerate(panels)]
    layout = _layout(panels, start_s, end_s, strip=bool(beats)) | _overlay(epochs, start_s, end_s)
    return {"data": data + _beat_marks(beats, len(panels)), "layout": layout}


def _trace(index: int, name: str, envelope: Envelope) -> dict[str, Any]:
    xs, ys = envelope.times, envelope.lows
    if envelope.thinned:
        xs, ys = np.repeat(xs, 2), np.column_stack((envelope.lows, envelope.highs)).ravel()
    axis = str(index + 1) if index else ""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": np.round(xs, 4).tolist(),
        "y": [value if np.isfinite(value) else None for value in np.round(ys, 4).tolist()],
        "xaxis": "x",
        "yaxis": f"y{axis}",
        "line": {"color": "#50545a", "width": 1},
        "hovertemplate": "%{x:.2f} s: %{y:.1f} " + envelope.unit + "<extra>" + name + "</extra>",
    }


def _layout(panels: Sequence[tuple[str, Envelope]], start_s: float, end_s: float, *, strip: bool) -> dict[str, Any]:
    """Return the axes: one panel a signal, and below them the strip of the beats where there is one."""
    count, floor = len(panels), BEAT_STRIP if strip else 0.0
    lowest = count + 1 if strip else count
    layout: dict[str, Any] = {
        "showlegend": False,
        "xaxis": {
            "title": {"text": "Time in the recording (s)"},
            "range": [start_s, end_s],
            "anchor": f"y{lowest}" if lowest > 1 else "y",
        },
    }
    for index, (name, envelope) in enumerate(panels):
        top = 1 - index * (1 - floor) / count
        unit = f" ({envelope.unit})" if envelope.unit else ""
        layout[f"yaxis{index + 1 if index else ''}"] = {
            "title": {"text": f"{name}{unit}", "font": {"size": 13}},
            "domain": [max(0.0, top - (1 - floor) / count + 0.04), top],
            "nticks": 5,
        }
    if strip:
        layout[f"yaxis{lowest}"] = {
            "title": {"text": "Beats", "font": {"size": 13}},
            "domain": [0, BEAT_STRIP - 0.01],
            "range": [-1, 1],
            "tickvals": [],
            "showgrid": False,
            "zeroline": False,
        }
    return layout


def _beat_marks(seen: Sequence[SeenBeat], panels: int) -> list[dict[str, Any]]:
    """Return the beats as marks in their strip: a bar where used, a cross where refused, a ring about it by hand."""
    marks = []
    kinds = ((True, False), (False, False), (True, True), (False, True))
    for used, by_hand in kinds:
        chosen = [beat for beat in seen if (beat.used, beat.by_hand) == (used, by_hand)]
        if not chosen:
            continue
        colour = INK if used else "#D55E00"
        symbol = ("circle-cross-open" if used else "circle-x-open") if by_hand else "line-ns" if used else "x-thin"
        marks.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": f"beats {'used' if used else 'excluded'}{' by hand' if by_hand else ''}",
                "x": [round(beat.time_s, 3) for beat in chosen],
                "y": [0] * len(chosen),
                "xaxis": "x",
                "yaxis": f"y{panels + 1}",
                "text": [escape(beat.words) for beat in chosen],
                "marker": {
                    "symbol": symbol,
                    "size": 16 if by_hand else 13,
                    "color": colour,
                    "line": {"width": 2.5, "color": colour},
                },
                "hovertemplate": "%{x:.2f} s: %{text}<extra></extra>",
            }
        )
    return marks


def _overlay(epochs: Sequence[Epoch], start_s: float, end_s: float) -> dict[str, Any]:
    """Return the epochs as shaded stretches with their names above, upright where they are too narrow for words."""
    shapes, notes, height = [], [], 30
    for epoch in epochs:
        begins, ends = epoch.recording_start_s or 0.0, epoch.recording_end_s or 0.0
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": begins,
                "x1": ends,
                "y0": 0,
                "y1": 1,
                "layer": "below",
                "fillcolor": _SITE_FILL if epoch.site_id else _BASELINE_FILL,
                "line": {"width": 1, "dash": "solid" if epoch.site_id else "dot", "color": "#000000"},
            }
        )
        shown = max(begins, start_s), min(ends, end_s)
        # About ninety letters fit side by side, and forty lines of upright words.
        narrow = shown[1] - shown[0] < (end_s - start_s) * len(epoch.label) / 90
        if narrow and len(epochs) > 40:
            continue
        height = max(height, 16 + 8 * len(epoch.label) if narrow else 30)
        notes.append(
            {
                "x": sum(shown) / 2,
                "y": 1,
                "xref": "x",
                "yref": "paper",
                "yanchor": "bottom",
                "textangle": -90 if narrow else 0,
                "text": escape(epoch.label),
                "showarrow": False,
                "font": {"size": 13},
            }
        )
    return {"shapes": shapes, "annotations": notes, "margin": {"l": 72, "r": 16, "t": min(height, 160), "b": 52}}
