"""The registry application."""

from django.apps import AppConfig


class RegistryConfig(AppConfig):
    """Who: centres, members, patients and what became of them."""

    name = "registry"
    verbose_name = "Registry"

    def ready(self) -> None:
        """Describe the kinds of record of this room; watch log-ins."""
        from registry.described.kind import register
        from registry.kinds import KINDS
        from registry.login import watching  # noqa: F401

        register(*KINDS)
