"""The change trail: written by services, verified by a command."""
