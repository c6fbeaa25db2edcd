"""Addresses of the analytics room."""

from django.urls import URLPattern

app_name = "analytics"
urlpatterns: list[URLPattern] = []
