"""Do the metrics agree on which site is best? Stroke work and dP/dt max need not.

In 34 candidates their changes correlated with R 0.06, and 16 were discordant at 10 % (stroke work and dP/dt max
compared, Eur J Heart Fail 2009).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from procedures.acute_response.values import Comparison


@dataclass(frozen=True)
class Agreement:
    """Leading site by metric; ``leader`` is the one most of them name, ``concordance`` Kendall's W (0 to 1).

    W is taken over the sites that every ranked metric has; it is None below two metrics or three such sites.
    """

    leaders: dict[str, str]
    leader: str | None
    named_by: int
    concordance: float | None
    sentence: str


def agreement(comparisons: Sequence[Comparison]) -> Agreement:
    """Sum up several metrics of one session; metrics without a better direction do not vote.

    Kendall's coefficient of concordance: W = 12 S / (m^2 (n^3 - n)), S the squared deviations of the rank sums of n
    sites over m metrics (Kendall & Babington Smith, Ann Math Stat 1939;10:275 [from memory]).

    Parameters
    ----------
    comparisons
        One for each metric of the session.

    Returns
    -------
    Agreement
        The site that most metrics put first, and how alike the metrics rank the sites.
    """
    ranked = [c for c in comparisons if c.direction != 0 and c.sites]
    leaders = {c.metric: c.sites[0].state for c in ranked}
    if not leaders:
        return Agreement({}, None, 0, None, "No metric ranks the sites.")
    leader, votes = Counter(leaders.values()).most_common(1)[0]
    shared = [s.state for s in ranked[0].sites if all(s.state in {x.state for x in c.sites} for c in ranked)]
    concordance = None
    if len(ranked) > 1 and len(shared) > 2:
        places = np.array([[next(i for i, s in enumerate(c.sites) if s.state == x) for x in shared] for c in ranked])
        sums = (places.argsort(axis=1).argsort(axis=1) + 1).sum(0)
        m, n = places.shape
        concordance = float(12.0 * ((sums - sums.mean()) ** 2).sum() / (m * m * (n**3 - n)))
    sentence = (
        f"All {len(ranked)} metrics rank {leader} first."
        if votes == len(ranked)
        else f"{votes} of {len(ranked)} metrics rank {leader} first."
    )
    return Agreement(leaders, leader, votes, concordance, sentence)
