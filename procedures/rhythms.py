"""Rhythms an epoch can have, and their names in words."""

from __future__ import annotations

RHYTHMS = {
    "regular": "regular",
    "ectopic": "single ectopic beats",
    "interpolated": "interpolated ectopic beats",
    "runs": "runs of ectopic beats",
    "trigeminy": "trigeminy",
    "bigeminy": "bigeminy",
    "irregular": "irregular, as in atrial fibrillation",
    "changing": "changing rate",
    "unknown": "too few beats to tell",
}
