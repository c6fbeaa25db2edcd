"""The registry application."""

from django.apps import AppConfig


class RegistryConfig(AppConfig):
    """Who: centres, members, patients and what became of them."""

    name = "registry"
    verbose_name = "Registry"

    def ready(self) -> None:
        """Describe the kinds of record and of background run of this room; watch log-ins."""
        from registry.described.kind import register
        from registry.jobs import registry_kinds  # noqa: F401
        from registry.kinds import KINDS
        from registry.login import watching  # noqa: F401

        register(*KINDS)
