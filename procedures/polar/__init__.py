"""The AHA 17-segment polar diagram with the session's sites in it, as values for an SVG template."""

from procedures.polar.diagram import PolarDiagram, PolarSite, polar_diagram
from procedures.polar.segments import SEGMENTS, Segment, segment_name

__all__ = ["SEGMENTS", "PolarDiagram", "PolarSite", "Segment", "polar_diagram", "segment_name"]
