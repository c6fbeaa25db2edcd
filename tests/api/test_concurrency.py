"""Writers at the same moment: one wins, the others are told; nobody meets a fault."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.db import connection

from registry.models import Assessment, Change
from registry.models.base import new_key
from registry.trail.verify import faults
from tests.api.conftest import Api, World

pytestmark = pytest.mark.django_db(transaction=True)
WRITERS = 6


def at_once(world: World, path: str, bodies: list[dict[str, Any]]) -> Counter[int]:
    """Send every body at the same moment, each on a connection of its own, and count the answers."""
    start = Barrier(len(bodies))
    clients = [Api(world.physician) for _ in bodies]

    def write(api: Api, body: dict[str, Any]) -> int:
        try:
            start.wait()
            return int(api.put(path, body).status_code)
        finally:
            connection.close()

    with ThreadPoolExecutor(len(bodies)) as pool:
        return Counter(pool.map(write, clients, bodies))


@pytest.mark.parametrize("collection", ["assessments", "sites", "sessions"])
def test_same_new_key_with_different_values_is_written_once(
    transactional_db: None, world: World, bodies: dict[str, dict[str, Any]], collection: str
) -> None:
    path = f"{collection}/{new_key()}"
    field = {"assessments": "lvef_percent", "sites": "label", "sessions": "contrast_ml"}[collection]
    answers = at_once(world, path, [bodies[collection] | {field: 20 + n} for n in range(WRITERS)])
    assert answers == {201: 1, 409: WRITERS - 1}
    key = path.split("/")[1]
    assert Change.objects.filter(record_id=key).count() == 1
    assert list(faults()) == []


@pytest.mark.parametrize("collection", ["assessments", "log-entries"])
def test_same_record_sent_twice_at_once_is_written_once_and_replayed(
    transactional_db: None, world: World, bodies: dict[str, dict[str, Any]], collection: str
) -> None:
    """Two tabs that empty one outbox."""
    path = f"{collection}/{new_key()}"
    answers = at_once(world, path, [bodies[collection]] * WRITERS)
    # Whether one that waited for the other calls itself 'created' or 'replayed' is chance; neither is a problem.
    assert set(answers) <= {200, 201}
    assert Change.objects.filter(record_id=path.split("/")[1]).count() == 1


def test_same_edit_base_lets_one_writer_through(
    transactional_db: None, world: World, bodies: dict[str, dict[str, Any]]
) -> None:
    path = f"assessments/{new_key()}"
    assert Api(world.physician).put(path, bodies["assessments"]).status_code == 201
    edits = [bodies["assessments"] | {"version": 1, "lvef_percent": 20 + n} for n in range(WRITERS)]
    assert at_once(world, path, edits) == {200: 1, 409: WRITERS - 1}
    assert Assessment.objects.get().version == 2
    assert list(faults()) == []
