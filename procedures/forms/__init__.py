"""Forms: they read what was typed; the services judge and write it."""
