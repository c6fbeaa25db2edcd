"""Queries start from somebody's view: where records are read, a viewer or a record already found says of which centre.

Two rules that are read off the source, so that a new function is held to them without being listed here.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest
from django.apps import apps
from django.conf import settings

ROOMS = ("registry", "procedures", "analytics")
MODELS = {model.__name__ for room in ROOMS for model in apps.get_app_config(room).get_models()}
# Values that selectors build for a session or centre that was found by its viewer.
FOUND = MODELS | {"SessionComparison"}
# function: why it may read by a bare key.
BY_KEY = {
    "comparison_state": "takes the key of a session its view has just found for the person",
    "with_consent": "narrows the patients it is given",
    "items": "describes lists; each takes the centre when it is read",
    "cursor_of": "takes the centre of a session its view has just found; answers a number",
    "people_of": "names the patients of visits found for the viewer",
    "is_back": "asked by the service itself of those on the list of erasures; answers yes or no",
    "ages": "signs of life of the service, which belong to no centre",
    "changed_since": "takes the centre of a session its view has just found",
}
# Models that belong to no centre: a person's own log-in.
OWN = {"UserSession", "Authenticator", "User"}


def functions(folder: str) -> Iterator[tuple[str, ast.FunctionDef]]:
    for room in ROOMS:
        for path in sorted((settings.BASE_DIR / room / folder).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.FunctionDef):
                    yield f"{path.relative_to(settings.BASE_DIR)}:{node.name}", node


def queried(node: ast.AST) -> set[str]:
    """Return the models on whose manager a piece of source begins a query."""
    managers = ("objects", "_default_manager", "_base_manager")
    found = [sub.value for sub in ast.walk(node) if isinstance(sub, ast.Attribute) and sub.attr in managers]
    return {value.id for value in found if isinstance(value, ast.Name)}


def words_in(annotation: ast.expr | None) -> set[str]:
    if annotation is None:
        return set()
    return {node.id for node in ast.walk(annotation) if isinstance(node, ast.Name)}


def parameters(node: ast.FunctionDef) -> set[str]:
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return set().union(*(words_in(argument.annotation) for argument in arguments))


def test_selectors_that_query_take_the_viewer_or_a_record_found_for_one() -> None:
    wrong = {
        name: models
        for name, node in functions("selectors")
        if not node.name.startswith("_")
        and node.name not in BY_KEY
        and (models := queried(node) & MODELS)
        and not parameters(node) & FOUND
    }
    assert wrong == {}


# A query in a page or the API names a record found for its viewer: a session, its centres, or a prefetch of one.
ANCHORS = {"centre", "patient", "session", "recording__session", "epoch__session", "session__in", "pk__in", "queryset"}


def unanchored(statement: ast.stmt) -> set[str]:
    """Return the models a statement queries without naming a record that was found for the viewer."""
    models = (queried(statement) & MODELS) - OWN
    return set() if {node.arg for node in ast.walk(statement) if isinstance(node, ast.keyword)} & ANCHORS else models


@pytest.mark.parametrize("folder", ["views", "api", "forms", "templatetags"])
def test_pages_and_api_query_only_from_a_record_found_for_the_viewer(folder: str) -> None:
    """The API's record views begin with all records of their kind, which one base class narrows by centre."""
    wrong = {
        name: models for name, node in functions(folder) for statement in node.body if (models := unanchored(statement))
    }
    assert wrong == {}


# What builds or narrows a query.
LOOKUPS = {
    *("filter", "exclude", "annotate", "order_by", "select_related", "prefetch_related", "defer", "only"),
    *("values_list", "aggregate"),
}


def test_views_only_join_and_leave_looking_up_to_selectors() -> None:
    wrong = {}
    for name, node in functions("views"):
        called = {
            sub.func.attr for sub in ast.walk(node) if isinstance(sub, ast.Call) and isinstance(sub.func, ast.Attribute)
        }
        if found := queried(node) | called & LOOKUPS:
            wrong[name] = found
    assert wrong == {}
