"""Template filters of the registry."""
