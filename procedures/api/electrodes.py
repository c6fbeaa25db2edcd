"""Electrode pairs of a site as the API answers them."""

from __future__ import annotations

from rest_framework import serializers

from procedures.selectors.lead_measurements import CurvePoint, ElectrodeGrid, Pair


def _number(words: str) -> serializers.FloatField:
    return serializers.FloatField(allow_null=True, help_text=words)


class CurvePointSerializer(serializers.Serializer[CurvePoint]):
    """The latest threshold at a pulse width."""

    width_ms = serializers.FloatField()
    threshold_v = serializers.FloatField()
    energy_uj = _number("V² · width / impedance; null without an impedance.")


class PairSerializer(serializers.Serializer[Pair]):
    """One cathode and anode; null is 'not known'."""

    cathode = serializers.CharField(allow_blank=True)
    anode = serializers.CharField(allow_blank=True)
    own = serializers.BooleanField(help_text="Whether it is the site's configuration.")
    capture_threshold_v = serializers.FloatField(source="threshold.capture_threshold_v", allow_null=True, default=None)
    pulse_width_ms = serializers.FloatField(source="threshold.pulse_width_ms", allow_null=True, default=None)
    phrenic_over_capture = serializers.FloatField(source="ratio", allow_null=True)
    phrenic_at_least = serializers.BooleanField(source="ratio_at_least", help_text="The ratio is a lower bound.")
    impedance_ohm = _number("The latest.")
    points = CurvePointSerializer(many=True)
    rheobase_v = serializers.FloatField(source="curve.rheobase_v", allow_null=True, default=None)
    chronaxie_ms = serializers.FloatField(source="curve.chronaxie_ms", allow_null=True, default=None)
    safety_margin = serializers.FloatField(source="margin", allow_null=True)
    acceptable = serializers.BooleanField(allow_null=True, help_text="Null: cannot be judged yet.")


class ElectrodeGridSerializer(serializers.Serializer[ElectrodeGrid]):
    """Cathodes by anodes, and every pair that was tried, the site's own first."""

    cathodes = serializers.ListField(child=serializers.CharField())
    anodes = serializers.ListField(child=serializers.CharField())
    pairs = PairSerializer(many=True)
