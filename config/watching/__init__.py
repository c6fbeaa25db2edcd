"""Watching the service: how its components are, its metrics, its log."""
