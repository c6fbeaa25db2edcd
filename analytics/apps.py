"""The analytics application."""

from django.apps import AppConfig


class AnalyticsConfig(AppConfig):
    """What it means: audit, indicators, cohorts."""

    name = "analytics"
    verbose_name = "Analytics"
