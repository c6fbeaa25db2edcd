"""Carrying out one run, whether it succeeds or fails."""

from __future__ import annotations

import logging
from uuid import UUID

from celery.exceptions import SoftTimeLimitExceeded
from django.conf import settings
from django.db import connection

from registry.jobs.claims import Claim, NotOurs, NotYet, Refused, TryAgain, held, take
from registry.jobs.run_kinds import RUN_KINDS, RunKind
from registry.log_context import about

_log = logging.getLogger(__name__)


def carry_out(name: str, key: UUID) -> bool:
    """Do a run that waits; False when there is nothing to do. Safe to call at any time and by any number of workers."""
    kind = RUN_KINDS[name]
    claim = take(kind.model, key)
    if claim is None:
        return False
    with about(run=f"{name} {key}"):
        _work(kind, claim)
    return True


def _work(kind: RunKind, claim: Claim) -> None:
    try:
        with held(claim):
            kind.load()(claim)
            _close(claim)
    except NotOurs:
        _log.info("A run of %s was cancelled or taken over; nothing of it was written", kind.name)
    except Refused as error:
        claim.fail(str(error))
    except NotYet as error:
        claim.put_off(str(error))
    except TryAgain as error:
        claim.put_back(str(error))
    except SoftTimeLimitExceeded:
        minutes = settings.CELERY_TASK_SOFT_TIME_LIMIT // 60
        claim.fail(f"It was stopped because it took longer than {minutes} minutes.")
    except Exception:
        _log.exception("A run of %s stopped on a fault of the program", kind.name)
        if not connection.in_atomic_block:
            # The fault may have been the database's going away.
            connection.close_if_unusable_or_obsolete()
        claim.put_back(kind.fault)


def _close(claim: Claim) -> None:
    """Mark a run done whose work had nothing to write; one that wrote has ended already."""
    try:
        with claim.writing():
            pass
    except NotOurs:
        pass
