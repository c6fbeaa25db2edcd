"""The procedures application."""

from django.apps import AppConfig


class ProceduresConfig(AppConfig):
    """What was done and measured in a session."""

    name = "procedures"
    verbose_name = "Procedures"
