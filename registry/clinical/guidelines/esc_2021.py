"""ESC 2021: the recommendations on CRT, transcribed from memory except where a row says it was read."""

from __future__ import annotations

from registry.clinical.guidelines.criteria import (
    AV_BLOCK,
    CAPTURE,
    EARLIER_DEVICE,
    FIBRILLATION,
    LBBB,
    NO_EARLIER_DEVICE,
    NO_PACING_NEED,
    NON_LBBB,
    OWN_RHYTHM,
    SINUS,
    THERAPY,
    lvef,
    nyha,
    pacing,
    qrs,
)
from registry.clinical.guidelines.table import Guideline, Row

_SYMPTOMS = nyha(2, 3, 4)
_SINUS = (SINUS, lvef(None, 35), _SYMPTOMS, THERAPY)

ESC_2021 = Guideline(
    name="European Society of Cardiology",
    year=2021,
    citation="Glikson et al., Eur Heart J 2021;42:3427-3520",
    where="recommendations on CRT in sinus rhythm, in atrial fibrillation, for upgrade and with conduction disease",
    rows=(
        Row("I", "A", (*_SINUS, LBBB, qrs(150))),
        Row("IIa", "B", (*_SINUS, LBBB, qrs(130, 150))),
        Row("IIa", "B", (*_SINUS, NON_LBBB, qrs(150))),
        Row("IIb", "B", (*_SINUS, NON_LBBB, qrs(130, 150))),
        Row("III", "A", (OWN_RHYTHM, qrs(None, 130), NO_PACING_NEED)),
        Row("IIa", "C", (FIBRILLATION, lvef(None, 35), nyha(3, 4), THERAPY, OWN_RHYTHM, qrs(130), CAPTURE)),
        # "A significant proportion of right-ventricular pacing": the guideline gives no number in the recommendation;
        # 20 % is the project's choice.
        Row("IIa", "B", (EARLIER_DEVICE, lvef(None, 35), _SYMPTOMS, THERAPY, pacing(20))),
        # CRT from the start instead of right-ventricular pacing; patients already paced fall under the row above.
        Row("I", "A", (lvef(None, 40, below=True), AV_BLOCK, NO_EARLIER_DEVICE)),
    ),
    left_out="Rows on ablation of the AV junction, conduction-system pacing and the choice of a defibrillator.",
)
