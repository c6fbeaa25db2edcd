"""Background runs: Celery carries the message, the run's own row is the outbox.

To add a kind of run:

1. Its table derives from ``Job`` (``registry.models``), with ``job_constraints("table")`` and ``job_index("table")`` in
   its ``Meta``, and holds what the run is about.
2. Its work is a service, ``def work(claim: Claim) -> None``. It reads ``claim.key``, says how far it is by
   ``claim.tell("Reading", 0.4)``, and writes what came out within ``with claim.writing() as row:``, which is one
   transaction, refuses when the run is no longer ours, and marks it done. It raises ``Refused("sentence")`` when trying
   again would not help, ``TryAgain("sentence")`` when it might, and ``NotYet("sentence")`` while another run makes what
   it needs; anything else is a fault of the program and is tried again too. It may be carried out twice, so nothing
   outside ``claim.writing()`` may do harm when repeated.
3. One ``register(RunKind(...))`` in the room's ``jobs.py`` (``registry/jobs/registry_kinds.py``,
   ``procedures/jobs.py``), which ``AppConfig.ready`` loads.
4. The service that asks for it makes the row and calls ``send_later(row)`` in the same transaction.

``send_again`` hurries a run that waits, ``cancel`` stops runs, ``sweep`` sends again what was not picked up, takes over
what a lost worker left, and gives up on what was tried too often. Without a broker a thread of the web process works.
"""

from registry.jobs.carrying import carry_out
from registry.jobs.claims import Claim, NotOurs, NotYet, Refused, TryAgain, cancel
from registry.jobs.run_kinds import RUN_KINDS, RunKind, register
from registry.jobs.sending import send_again, send_later, sweep

__all__ = [
    "RUN_KINDS",
    "Claim",
    "NotOurs",
    "NotYet",
    "Refused",
    "RunKind",
    "TryAgain",
    "cancel",
    "carry_out",
    "register",
    "send_again",
    "send_later",
    "sweep",
]
