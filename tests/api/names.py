"""The names of the API's collections."""

READABLE = [
    "patients",
    "consents",
    "devices",
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
READ_ONLY = {"patients", "devices", "epoch-metrics", "recordings", "ecgs", "interval-readings", "responses"}
WRITABLE = [name for name in READABLE if name not in READ_ONLY]
