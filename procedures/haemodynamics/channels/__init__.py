"""Faults of the channels as they were recorded."""
