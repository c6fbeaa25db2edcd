"""Requests made up from the OpenAPI document, in every phase of schemathesis, and entries of a tablet by hypothesis."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode, openapi
from schemathesis.config import (
    CoveragePhaseConfig,
    ExamplesPhaseConfig,
    FuzzingPhaseConfig,
    GenerationConfig,
    PhasesConfig,
    ProjectConfig,
    ProjectsConfig,
    SchemathesisConfig,
    StatefulPhaseConfig,
)
from schemathesis.engine import from_schema

from tests.fuzzing.values import spoilt
from tests.fuzzing.watched import WatchedApplication

DOCUMENT = "/api/v1/openapi.json"
PHASES = ("examples", "coverage", "fuzzing", "stateful")


def run_document(
    application: WatchedApplication,
    keys: Sequence[str],
    *,
    phases: Sequence[str] = PHASES,
    examples: int = 10,
    only: str | None = None,
    number: int = 1,
) -> None:
    """Send what schemathesis makes of the document; ``keys`` of records that exist stand in for some it makes up.

    Only the answers' status is judged, by ``application``: that an answer is as the document says is another test.
    """
    generation = GenerationConfig(modes=list(GenerationMode), max_examples=examples, no_shrink=True, database="none")
    config = SchemathesisConfig(
        seed=number,
        projects=ProjectsConfig(
            default=ProjectConfig(
                continue_on_failure=True,
                generation=generation,
                phases=PhasesConfig(
                    examples=ExamplesPhaseConfig(enabled="examples" in phases),
                    coverage=CoveragePhaseConfig(enabled="coverage" in phases),
                    fuzzing=FuzzingPhaseConfig(enabled="fuzzing" in phases),
                    stateful=StatefulPhaseConfig(enabled="stateful" in phases),
                ),
            )
        ),
    )
    schema = openapi.from_wsgi(DOCUMENT, application, config=config)
    if only:
        schema = schema.include(path_regex=only)

    def known(value: Any) -> Any:
        """Put a record that exists in the place of most that do not."""
        if isinstance(value, dict):
            return {name: known(one) for name, one in value.items()}
        if isinstance(value, str) and len(value) == 36 and value.count("-") == 4:
            chosen = int(hashlib.sha256(value.encode()).hexdigest()[:8], 16)
            return value if chosen % 4 == 0 else keys[chosen % len(keys)]
        return value

    @schema.hook
    def map_path_parameters(context: Any, path_parameters: Any) -> Any:
        return known(path_parameters)

    @schema.hook
    def map_body(context: Any, body: Any) -> Any:
        return known(body)

    for _event in from_schema(schema).execute():
        pass


def run_entries(
    send: Callable[[str, str], None], envelopes: Sequence[dict[str, Any]], examples: int, number: int = 1
) -> None:
    """Send entries of a tablet with anything in the place of any value; ``send`` posts a body and notes the answer."""

    @seed(number)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(body=st.sampled_from(envelopes).flatmap(spoilt), whole=st.integers(0, 9))
    def entries(body: Any, whole: int) -> None:
        raw = json.dumps(body)
        if whole == 0:
            raw = raw[: len(raw) // 2]
        send("/api/v1/bedside/entries", raw)

    entries()
