"""Metrics of each beat: pressure, volume, relaxation, dyssynchrony."""
