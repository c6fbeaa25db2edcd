"""Pages of the registry."""
