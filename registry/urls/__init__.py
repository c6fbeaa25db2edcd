"""Addresses of the registry room, a file for each subject."""

from django.urls import include, path

_SUBJECTS = ("patients", "people", "imports", "queries")
urlpatterns = [path("", include(f"registry.urls.{subject}")) for subject in _SUBJECTS]
