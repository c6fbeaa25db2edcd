"""The second run of the tests, on the other database, leaves out what no database can change.

``--touching-database`` keeps what asks for the database, what starts processes of its own (``tests/ops``), and of the
browser tests those marked ``both_databases``: pages are the same on either, and were all opened in the first run. Who
is let through is decided in Python for every route, eight thousand visits, and asked in the first run only.
"""

from __future__ import annotations

import pytest

_FIXTURES = {"db", "transactional_db", "live_server"}
# They read files, or start processes that are told what their database is.
_SAME_ON_BOTH = {"test_checks.py", "test_compose.py", "test_dockerfile_steps.py", "test_units.py"}


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option."""
    parser.addoption("--touching-database", action="store_true", help="leave out what no database can change")


def _touches(item: pytest.Item) -> bool:
    fixtures = set(getattr(item, "fixturenames", ()))
    if "browser" in fixtures:
        return item.get_closest_marker("both_databases") is not None
    if "ops" in item.path.parts:
        return item.path.name not in _SAME_ON_BOTH
    if "world" in fixtures:  # tests/authorisation/test_matrix.py
        return False
    return item.get_closest_marker("django_db") is not None or bool(fixtures & _FIXTURES)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the rest; pytest says how many."""
    grouped = [item for item in items if item.get_closest_marker("xdist_group")]
    if getattr(config.option, "loadgroup", False) and not all("@" in item.nodeid for item in grouped):
        raise pytest.UsageError("Groups of tests are not kept together: pytest-xdist does not fit this pytest.")
    if config.getoption("--touching-database"):
        left_out = [item for item in items if not _touches(item)]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if _touches(item)]
