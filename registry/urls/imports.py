"""Addresses of the import of tables."""

from django.urls import path

from registry.views import imports

app_name = "imports"
urlpatterns = [
    path("imports/", imports.table_imports, name="list"),
    path("imports/new/", imports.new_import, name="new"),
    path("imports/<uuid:key>/", imports.show, name="show"),
    path("imports/<uuid:key>/columns/", imports.columns, name="columns"),
    path("imports/<uuid:key>/questions/", imports.open_questions, name="questions"),
    path("imports/<uuid:key>/progress/", imports.progress, name="progress"),
    path("imports/<uuid:key>/findings.csv", imports.findings_csv, name="findings"),
]
urlpatterns += [
    path(f"imports/<uuid:key>/{what}/", imports.act, {"what": what}, name=what)
    for what in ("load", "again", "cancel", "discard")
]
