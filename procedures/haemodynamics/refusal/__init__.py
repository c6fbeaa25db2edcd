"""Which beats and values must not count, and why."""
