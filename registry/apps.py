"""The registry application."""

from django.apps import AppConfig


class RegistryConfig(AppConfig):
    """Who: centres, members, patients and what became of them."""

    name = "registry"
    verbose_name = "Registry"

    def ready(self) -> None:
        """Name the kinds of table that this room takes in."""
        from registry.importing import registry_kinds  # noqa: F401
