"""How complete each field is."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import Any

from analytics.selectors.quality import FieldQuality

MOST = 25
LONGEST = 44  # signs in a line of a name: leaves the bars room on a tablet


def completeness_figure(fields: Sequence[FieldQuality]) -> dict[str, Any]:
    """Return the figure as ``{data, layout}``: the least complete fields, worst at the top; no data for no field."""
    # Imported here: building figures is the only use of a library that takes half a second to load.
    from plotly import graph_objects as go

    worst = sorted((one for one in fields if one.missing), key=lambda one: one.percent)[:MOST]
    figure = go.Figure(layout={"template": "none"})
    if worst:
        names = ["<br>".join(wrap(f"{one.label} · {one.part or one.subject}", LONGEST)) for one in worst]
        figure.add_trace(
            go.Bar(
                name="present",
                orientation="h",
                x=[round(one.percent, 1) for one in worst],
                y=names,
                text=[f"{one.percent:.0f} %, {one.missing} missing" for one in worst],
                textposition="outside",
                cliponaxis=False,
                marker={"color": "#0072B2"},
                hovertemplate="%{y}: %{text}<extra></extra>",
            )
        )
        figure.update_layout(yaxis={"categoryorder": "array", "categoryarray": names[::-1], "automargin": True})
    figure.update_layout(
        showlegend=False,
        height=160 + 36 * len(worst),
        xaxis={"range": [0, 125], "tickvals": [0, 25, 50, 75, 100], "title": {"text": "Records with a value (%)"}},
        bargap=0.35,
    )
    return dict(figure.to_plotly_json())
