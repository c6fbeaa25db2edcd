"""The procedures application."""

from django.apps import AppConfig


class ProceduresConfig(AppConfig):
    """What was done and measured in a session."""

    name = "procedures"
    verbose_name = "Procedures"

    def ready(self) -> None:
        """Describe the kinds of record of this room, and name its background runs and its stores of files."""
        from procedures import erasing, jobs  # noqa: F401
        from procedures.kinds import KINDS
        from registry.described.kind import register

        register(*KINDS)
