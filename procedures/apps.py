"""The procedures application."""

from django.apps import AppConfig


class ProceduresConfig(AppConfig):
    """What was done and measured in a session."""

    name = "procedures"
    verbose_name = "Procedures"

    def ready(self) -> None:
        """Name the kinds of table that this room takes in, and the records that queries can be about."""
        from procedures import importing, subjects  # noqa: F401
