"""Watching the service: how its parts are, its metrics, its log."""
