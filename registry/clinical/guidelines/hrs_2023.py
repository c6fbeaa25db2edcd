"""HRS/APHRS/LAHRS 2023: the recommendations on CRT with biventricular pacing in heart failure."""

from __future__ import annotations

from registry.clinical.guidelines.criteria import (
    CAPTURE,
    FEMALE,
    FIBRILLATION,
    LBBB,
    NO_PACING_NEED,
    NON_LBBB,
    NOT_FEMALE,
    OWN_RHYTHM,
    PACING_NEED,
    SINUS,
    THERAPY,
    lvef,
    nyha,
    pacing,
    qrs,
)
from registry.clinical.guidelines.table import Guideline, Row

_BASE = (SINUS, lvef(None, 35), THERAPY)
_SYMPTOMS = nyha(2, 3, 4)

HRS_2023 = Guideline(
    name="HRS/APHRS/LAHRS",
    year=2023,
    citation="Chung et al., Heart Rhythm 2023;20:e17-e91",
    where="recommendations for LBBB, for non-LBBB by QRS duration, for substantial ventricular pacing and in atrial "
    "fibrillation",
    rows=(
        Row("1", "A", (*_BASE, LBBB, qrs(150), _SYMPTOMS)),
        Row("1", "B-R", (*_BASE, LBBB, qrs(120, 150), _SYMPTOMS, FEMALE)),
        Row("2a", "B-R", (*_BASE, LBBB, qrs(120, 150), _SYMPTOMS, NOT_FEMALE)),
        Row("2a", "A", (*_BASE, NON_LBBB, qrs(150), nyha(3, 4)), seen=True),
        Row("2b", "B-R", (*_BASE, NON_LBBB, qrs(150), nyha(2)), seen=True),
        Row("2b", "B-NR", (*_BASE, NON_LBBB, qrs(120, 150), nyha(3, 4)), seen=True),
        Row("3: no benefit", "B-R", (*_BASE, NON_LBBB, qrs(None, 150), nyha(1, 2)), seen=True),
        # Printed among the rows for patients without an indication for pacing, which the row itself does not repeat; a
        # paced QRS says nothing of the own one.
        Row(
            "3: no benefit",
            "B-R",
            (lvef(None, 35), THERAPY, OWN_RHYTHM, qrs(None, 120), _SYMPTOMS, NO_PACING_NEED),
            seen=True,
        ),
        # Printed as LVEF 36 to 50 %. "Substantial" is 20 to 40 % or more; the lower end is taken.
        # Level: B-R in the society's summary, B-NR in its pocket guide as published online; the full text was not seen.
        Row("2a", "B-R", (lvef(35, 50), PACING_NEED, pacing(20)), seen=True),
        Row("2a", "B-NR", (FIBRILLATION, lvef(None, 35), THERAPY, OWN_RHYTHM, qrs(120), CAPTURE)),
    ),
    left_out="Rows on conduction-system pacing, on normal LVEF, on pacing that is less than substantial, on LBBB with "
    "LVEF 36 to 50 %, on NYHA class I with LBBB and on upgrade of a pacemaker.",
)
