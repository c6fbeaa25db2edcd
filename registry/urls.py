"""Addresses of the registry room."""

from django.urls import URLPattern

app_name = "registry"
urlpatterns: list[URLPattern] = []
