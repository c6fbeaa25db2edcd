"""The OpenAPI document is complete, valid, and true of the addresses."""

from __future__ import annotations

from io import StringIO

from django.core.management import call_command
from django.urls import get_resolver

from tests.api.conftest import Api
from tests.api.names import READABLE, WRITABLE


def test_document_is_generated_without_a_warning_and_valid() -> None:
    out = StringIO()
    call_command("spectacular", "--validate", "--fail-on-warn", stdout=out)
    assert "openapi: 3." in out.getvalue()


def test_document_holds_every_collection_and_every_answer(api: Api) -> None:
    document = api.get("openapi.json").json()
    paths = document["paths"]
    for name in READABLE:
        assert set(paths[f"/api/v1/{name}"]) == {"get"}
        assert ("put" in paths[f"/api/v1/{name}/{{id}}"]) == (name in WRITABLE)
    for operations in paths.values():
        for method, operation in operations.items():
            answers = set(operation["responses"])
            assert {"200", "400", "403", "404"} <= answers
            assert (method == "get") or {"409", "422"} <= answers


def test_every_address_of_the_api_is_in_the_document(api: Api) -> None:
    documented = {path.removeprefix("/api/v1/") for path in api.get("openapi.json").json()["paths"]}
    routed = set()
    for pattern in get_resolver("procedures.api.urls").url_patterns:
        routed.add(str(pattern.pattern).replace("<uuid:pk>", "{id}"))
    assert routed == documented


def test_every_property_has_a_type(api: Api) -> None:
    schemas = api.get("openapi.json").json()["components"]["schemas"]
    bare = [
        f"{name}.{field}"
        for name, schema in schemas.items()
        for field, described in schema.get("properties", {}).items()
        if not {"type", "$ref", "allOf", "oneOf"} & set(described)
    ]
    # JSON columns: lists and mappings whose content is a recording's own.
    assert set(bare) <= {
        "Recording.channels",
        "Recording.mapping",
        "AcuteResponse.flags",
        "LeadMeasurement.confirmed_unusual",
    }
