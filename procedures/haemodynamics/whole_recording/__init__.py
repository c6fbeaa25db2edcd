"""From signals to epoch statistics, stretch by stretch."""
