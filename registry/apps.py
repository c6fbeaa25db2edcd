"""The registry application."""

from django.apps import AppConfig


class RegistryConfig(AppConfig):
    """Who: centres, members, patients and what became of them."""

    name = "registry"
    verbose_name = "Registry"

    def ready(self) -> None:
        """Name the kinds of table that this room takes in and the records queries can be about; watch log-ins."""
        from registry import registry_subjects  # noqa: F401
        from registry.importing import registry_kinds  # noqa: F401
        from registry.login import watching  # noqa: F401
