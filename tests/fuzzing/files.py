"""Damaged files through the services that an upload and an import go through, each in a transaction that is undone."""

from __future__ import annotations

import hashlib
import logging
import random
import resource
import signal
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import UUID

from django.db import transaction

from procedures.electrocardiogram import ElectrocardiogramError
from procedures.pipeline.ecg_kept import measure_stretch
from procedures.recordings import RecordingError
from procedures.recordings.heads import read_head
from procedures.recordings.stored import StoredRecording
from procedures.selectors.places import place_of
from procedures.selectors.sealed import key_of_form
from procedures.services.stored_signals import drop_form, read_file
from registry.errors import RuleBroken
from registry.importing.plan import Plan, proposed
from registry.jobs import carry_out
from registry.models import Centre, ImportRun, User
from registry.selectors.imports import look_of, table_kind_of
from registry.services import imports
from tests import factories as make
from tests.fuzzing.damage import damaged
from tests.fuzzing.seeds import TABLES, Seed
from tests.signals import Uploaded

MOST_CPU_S = 2.0
_GIVE_UP_CPU_S = 20.0


@dataclass
class Outcome:
    """What came of a run. ``faults``: seed, number and what happened instead of a sentence or a result."""

    files: int = 0
    read: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    longest_s: float = 0.0
    longest: str = ""

    @property
    def readable(self) -> float:
        """The share of files that were read to the end."""
        return sum(self.read.values()) / max(self.files, 1)


class _Hangs(BaseException):
    """A file took more processor time than is waited for."""


class _Errors(logging.Handler):
    """Keeps what is logged as an error: a traceback that nobody sees is one all the same."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(self.format(record))


def run(
    originals: Sequence[Seed], numbers: range, *, by: User, centre: Centre, folder: Path, keep: Path | None = None
) -> Outcome:
    """Damage and take in one file for each number; the same number makes the same file. Faulty ones go to ``keep``."""
    outcome, owner = Outcome(), make.make_patient(centre, by=by).pk
    heard = _Errors()
    logging.getLogger().addHandler(heard)
    try:
        for number in numbers:
            rng = random.Random(number)  # noqa: S311 - a run that can be repeated
            seed, other = originals[number % len(originals)], rng.choice(originals)
            content = damaged(seed.content, other.content, rng)
            name, before, found = f"{seed.kind} {number}", time.process_time(), len(outcome.faults)
            try:
                with _bounded():
                    sentence = _taken_in(seed.kind, content, by, centre, owner, folder)
                (outcome.refused if sentence else outcome.read)[seed.kind] += 1
                if sentence is not None and not 10 < len(sentence) < 4000:
                    outcome.faults.append(f"{name}: no sentence: {sentence[:200]!r}")
            except _Hangs:
                outcome.faults.append(f"{name}: more than {_GIVE_UP_CPU_S:g} s")
            except Exception:
                outcome.faults.append(f"{name}: {traceback.format_exc(limit=-6)}")
            outcome.faults += [f"{name}: logged: {said}" for said in heard.said]
            heard.said.clear()
            took = time.process_time() - before
            if took > outcome.longest_s:
                outcome.longest_s, outcome.longest = took, name
            if took > MOST_CPU_S:
                outcome.faults.append(f"{name}: took {took:.1f} s of the processor")
            if keep is not None and len(outcome.faults) > found:
                (keep / f"{number}-{seed.kind}").write_bytes(content)
            outcome.files += 1
    finally:
        logging.getLogger().removeHandler(heard)
    return outcome


def _taken_in(kind: str, content: bytes, by: User, centre: Centre, owner: UUID, folder: Path) -> str | None:
    """Return the sentence that refuses a file, or None when it was taken in."""
    try:
        with transaction.atomic():
            try:
                if kind in TABLES:
                    return _table(kind.partition(".")[0], content, by, centre)
                return _signals(content, owner, folder)
            finally:
                transaction.set_rollback(True)
    except (RecordingError, RuleBroken) as error:
        return str(error)


def _signals(content: bytes, owner: UUID, folder: Path) -> str | None:
    """As an upload does it: the head while somebody waits, all of it in the job, the twelve leads where it has them."""
    path = folder / "fuzzed"
    path.write_bytes(content)
    read_head(path)
    facts, place = read_file(path, hashlib.sha256(content).hexdigest(), None, owner=owner)
    try:
        if sum((channel["role"] or "").startswith("ECG_") for channel in facts["channels"]) >= 2:
            end_s = facts["axis_start_s"] + min(facts["duration_s"], 60.0)
            stored = StoredRecording(place_of(place), key_of_form(owner, place))
            measure_stretch(stored, {}, facts["axis_start_s"], end_s, "female")
    except ElectrocardiogramError as error:
        return str(error)
    finally:
        drop_form(place)
    return None


def _table(kind: str, content: bytes, by: User, centre: Centre) -> str | None:
    """As an import does it, to the end of the dry run."""
    table = imports.begin_import(by=by, centre=centre, kind=kind, upload=Uploaded(content), original_name="table")
    columns = proposed(table_kind_of(table), look_of(table)["header"])
    table = imports.decide_columns(by=by, run=table, plan=Plan(columns=columns))
    imports.start_check(by=by, run=table, queue=False)
    work = ImportRun.objects.filter(table_import=table).latest("id")
    carry_out("import", work.pk)
    work.refresh_from_db()
    return work.failure or None


@contextmanager
def _bounded() -> Iterator[None]:
    """Break off what takes too much processor time."""

    def stop(*_: Any) -> None:
        raise _Hangs

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, _GIVE_UP_CPU_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def peak_mb() -> float:
    """Return the most memory this process has held, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
