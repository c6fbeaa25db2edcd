"""The registry application."""

from django.apps import AppConfig


class RegistryConfig(AppConfig):
    """Who: centres, members, patients and what became of them."""

    name = "registry"
    verbose_name = "Registry"
