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
    "responses",
    "decisions",
]
WRITABLE = [name for name in READABLE if name not in {"patients", "epoch-metrics", "recordings", "responses"}]
