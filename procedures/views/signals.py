"""The signals of a recording as a figure, for the stretch and the detail that the page asks for."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import JsonResponse
from django.views.decorators.http import require_safe

from procedures.figures.signals import signals_figure
from procedures.recordings import RecordingError
from procedures.selectors.beats import LONGEST_VIEW_S, beats_between
from procedures.selectors.drawn_signals import drawn_signals
from procedures.selectors.recorded import epochs_between
from procedures.selectors.signals import FileReading, NotPrepared, reading_of, span_of
from procedures.views.asked import asked_number
from procedures.views.recordings import recording_for
from registry.errors import RuleBroken
from registry.views.request import MemberRequest

MOST_POINTS = 2000
USUAL_POINTS = 1200
# When to ask again for signals that are being prepared, s.
AGAIN_S = 2


def _no_signals(reading: FileReading) -> dict[str, Any]:
    if reading.busy:
        return {"data": [], "message": "The file is being read. Its signals appear here then.", "again_s": AGAIN_S}
    return {"data": [], "message": f"The file could not be read. {reading.failure}"}


@require_safe
def signals(request: MemberRequest, recording: UUID) -> JsonResponse:
    """Return pressure, volume and one ECG lead between two times as a figure."""
    found = recording_for(request.user, recording)
    if (reading := reading_of(found)).state != "read":
        return JsonResponse(_no_signals(reading))
    first, last = span_of(found)
    start_s = asked_number(request.GET, "start", first, first, last)
    end_s = asked_number(request.GET, "end", last, first, last)
    points = int(asked_number(request.GET, "points", USUAL_POINTS, 2, MOST_POINTS))
    if end_s <= start_s:
        raise RuleBroken("The end must be after the start.")
    epochs = epochs_between(found, start_s, end_s)
    beats = beats_between(found, start_s, end_s) if end_s - start_s <= LONGEST_VIEW_S else []
    try:
        panels = drawn_signals(found, start_s, end_s, points)
    except NotPrepared as error:
        return JsonResponse({"data": [], "message": str(error), "again_s": AGAIN_S})
    except RecordingError as error:
        return JsonResponse({"data": [], "message": str(error)})
    figure = signals_figure(panels, start_s, end_s, epochs=epochs, beats=beats)
    if not figure["data"]:
        return JsonResponse(
            {"data": [], "message": "No channel of this recording was recognised. Assign the channels under Channels."}
        )
    return JsonResponse(figure | {"start_s": start_s, "end_s": end_s})
