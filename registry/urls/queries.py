"""Addresses of the queries on the data."""

from django.urls import path

from registry.views import queries

app_name = "queries"
_OF = "patients/<uuid:patient_key>/queries/new/"
urlpatterns = [
    path("queries/", queries.queries, name="list"),
    path("queries/<uuid:key>/", queries.show, name="show"),
    path(_OF, queries.choose_record, name="choose"),
    path(f"{_OF}<str:record_type>/<uuid:record_key>/", queries.raise_one, name="raise"),
]
