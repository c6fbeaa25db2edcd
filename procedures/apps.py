"""The procedures application."""

from django.apps import AppConfig


class ProceduresConfig(AppConfig):
    """What was done and measured in a session."""

    name = "procedures"
    verbose_name = "Procedures"

    def ready(self) -> None:
        """Name the tables that this room takes in, the records that queries can be about, and its background runs."""
        from procedures import importing, jobs, subjects  # noqa: F401
