"""Addresses of the procedures room."""

from django.urls import URLPattern

app_name = "procedures"
urlpatterns: list[URLPattern] = []
