"""Epochs, their metrics, and the sites compared by them, described."""

from __future__ import annotations

from procedures.described import Bedside, SessionKind
from procedures.forms.epochs import TypedEpochForm
from procedures.kinds.serializers import PacingSerializer, PacingWriteSerializer
from procedures.kinds.sessions import BY_SESSION, OF_SESSION
from procedures.models import AcuteResponse, Epoch, EpochMetric, PacingConfiguration
from procedures.services.epochs import put_epoch_as_paced
from registry.described.kind import Api

PACING_CONFIGURATION = SessionKind(
    PacingConfiguration, "Pacing configuration", **OF_SESSION, signed_as="pacing_configurations"
)

EPOCH = SessionKind(
    Epoch,
    "Epoch",
    **OF_SESSION,
    fields=("session", "site", "pacing", "started_at", "ended_at", "excluded_reason"),
    put=put_epoch_as_paced,
    forms=(TypedEpochForm,),
    joined=("pacing",),
    api=Api(
        "epochs",
        words="Steady stretches: baselines and sites.",
        reads=(
            "A steady stretch; ``site`` null is a baseline. The span in a recording is there when it was marked in one."
        ),
        takes="A steady stretch; ``site`` left out or null is a baseline.",
        answered=("recording", "recording_start_s", "recording_end_s"),
        filters=BY_SESSION | {"site": "site"},
        answered_as={"pacing": PacingSerializer(allow_null=True)},
        taken_as={"pacing": PacingWriteSerializer(required=False, allow_null=True)},
    ),
    signed_as="epochs",
    bedside=Bedside("epoch", "epochs", undo=True),
)

EPOCH_METRIC = SessionKind(
    EpochMetric,
    "Metric of an epoch",
    centre="epoch__session__centre",
    patient="epoch__session__patient",
    api=Api(
        "epoch-metrics",
        words="Metrics of epochs; they are entered under the epoch.",
        reads="One metric of one epoch, computed or entered; the unit is in the key.",
        answered=("epoch", "key", "origin", "mean", "sd", "beats", "standard_error", "unusual", "run"),
        filters={"session": "epoch__session", "epoch": "epoch"},
    ),
    signed_as="metrics",
    bedside=Bedside("epoch_metric", "metrics"),
)

ACUTE_RESPONSE = SessionKind(
    AcuteResponse,
    "Acute response",
    **OF_SESSION,
    api=Api(
        "responses",
        words=("Sites against baseline. Supports and does not replace the judgement of the licensed team."),
        reads=(
            "Change of one metric at one site against baseline, with a 95 % interval.\n\n"
            "Supports and does not replace the judgement of the licensed team."
        ),
        answered=(
            "session",
            "site",
            "metric",
            "rank",
            "change_percent",
            "low_percent",
            "high_percent",
            "probability_best",
            "probability_better_than_baseline",
            "shrunken_change_percent",
            "shrunken_low_percent",
            "shrunken_high_percent",
            "paired_change_percent",
            "paired_low_percent",
            "paired_high_percent",
            "unpaired_change_percent",
            "unpaired_low_percent",
            "unpaired_high_percent",
            "epochs",
            "beats",
            "flags",
        ),
        filters=BY_SESSION | {"site": "site"},
    ),
    signed_as="responses",
)

KINDS = (PACING_CONFIGURATION, EPOCH, EPOCH_METRIC, ACUTE_RESPONSE)
