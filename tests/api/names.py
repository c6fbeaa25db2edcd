"""The names of the API's collections."""

READABLE = [
    "patients",
    "assessments",
    "device-checks",
    "adverse-events",
    "sessions",
    "log-entries",
    "tributaries",
    "sites",
    "lead-measurements",
    "threshold-tests",
    "difficulties",
    "scanned-parts",
    "epochs",
    "epoch-metrics",
    "recordings",
    "ecgs",
    "interval-readings",
    "responses",
    "decisions",
]
READ_ONLY = {"patients", "epoch-metrics", "recordings", "ecgs", "interval-readings", "responses"}
WRITABLE = [name for name in READABLE if name not in READ_ONLY]
