"""A guideline as a table of rows, and how findings are held against it."""

from __future__ import annotations

from dataclasses import dataclass

from registry.clinical.guidelines.criteria import Criterion
from registry.clinical.guidelines.findings import Findings, Known

# Strength of a recommendation; a row against CRT stands below every row for it.
_ORDER = {"I": 0, "1": 0, "IIa": 1, "2a": 1, "IIb": 2, "2b": 2, "III": 3, "3: no benefit": 3}


@dataclass(frozen=True)
class Row:
    """One recommendation: its class, level of evidence and criteria. ``seen``: read in the text, or from memory."""

    grade: str
    level: str
    criteria: tuple[Criterion, ...]
    seen: bool = False

    @property
    def against(self) -> bool:
        """Whether the row advises against CRT."""
        return _ORDER[self.grade] == 3


@dataclass(frozen=True)
class Guideline:
    """A published guideline: where its rows stand, and what is not laid out here."""

    name: str
    year: int
    citation: str
    where: str
    rows: tuple[Row, ...]
    left_out: str


@dataclass(frozen=True)
class Judged:
    """A criterion with its verdict and the value behind it."""

    text: str
    verdict: bool | None
    behind: str
    known: Known

    @property
    def word(self) -> str:
        """The verdict in words."""
        return "not known" if self.verdict is None else "yes" if self.verdict else "no"


@dataclass(frozen=True)
class JudgedRow:
    """A row with its criteria judged."""

    row: Row
    criteria: tuple[Judged, ...]

    @property
    def met(self) -> bool | None:
        """True when all criteria hold, False when one fails, None when one that matters is not known."""
        verdicts = [one.verdict for one in self.criteria]
        return False if False in verdicts else None if None in verdicts else True

    @property
    def missing(self) -> list[str]:
        """The criteria that are not known."""
        return [one.text for one in self.criteria if one.verdict is None]


@dataclass(frozen=True)
class Indication:
    """What a guideline says of a patient: the row met, those that more data could open, and all rows."""

    guideline: Guideline
    rows: tuple[JudgedRow, ...]

    @property
    def met(self) -> JudgedRow | None:
        """The strongest row that is met."""
        met = [one for one in self.rows if one.met]
        return min(met, key=lambda one: _ORDER[one.row.grade]) if met else None

    @property
    def open(self) -> list[JudgedRow]:
        """Rows of which nothing fails, but something is not known; only those that could say more than the row met."""
        strongest = _ORDER[self.met.row.grade] if self.met else 9
        return [one for one in self.rows if one.met is None and _ORDER[one.row.grade] < strongest]

    @property
    def told(self) -> str:
        """The result in words."""
        if self.met:
            return f"class {self.met.row.grade}, level {self.met.row.level}"
        return "not assessable: data are missing" if self.open else "no recommendation is met"


def classify(guideline: Guideline, findings: Findings) -> Indication:
    """Hold findings against every row of a guideline.

    Parameters
    ----------
    guideline
        The table of a guideline.
    findings
        What is known of the patient; what is not known leaves its criteria open.

    Returns
    -------
    Indication
        Every row with each criterion judged.
    """
    rows = []
    for row in guideline.rows:
        judged = tuple(
            Judged(one.text, one.verdict(findings), one.behind(findings), one.known(findings)) for one in row.criteria
        )
        rows.append(JudgedRow(row, judged))
    return Indication(guideline, tuple(rows))
