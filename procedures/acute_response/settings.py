"""Assumptions of the comparison, each with its source; all may be overridden by the caller."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Settings:
    """Prior knowledge and decision limits.

    Attributes
    ----------
    scatter_percent, scatter_weight
        Standard deviation between epochs of the same state beyond drift, and how many repeats that prior
        knowledge counts for at each size of noise that is averaged over. Breathing of
        6.4 %, drift of 5.0 % and a repeat discrepancy of 3.3 % raw and 2.1 % paired are published for dP/dt max
        (J Card Fail 2014, PMID 24508810); a scatter of 1.7 % with
        1.2 % beat noise reproduces those figures in simulation.
    beat_sd_percent
        Spread of single beats when a typed epoch gives none: breathing of 6.4 % peak to peak has an SD of
        2.26 %, with 1.2 % beat noise 2.56 %.
    drift_percent
        Typical drift between the first and the last epoch: 5.0 % (same source).
    site_spread_percent
        Typical SD between sites. Best minus worst of nine configurations was 10.0 % (Asbach et al.,
        PLoS One 2013;8:e67235); the range of nine normal draws is 2.97 SD on average, hence 3.4 %.
    near_percent
        Sites closer than this to the best count as equally good (project choice).
    decided_probability
        A comparison is called decided at this posterior probability (project choice).
    decided_visits
        Fewest visits of the leader before a comparison is called decided: a single epoch that went wrong cannot
        be told from a good site (project choice; the published protocols repeat each state, same source).
    scale
        ``auto`` models the logarithm unless a value is zero or changes sign; ``log`` or ``linear`` force it.
    whole_breaths
        Fewest breaths an epoch should hold (project choice).
    """

    scatter_percent: float = 1.7
    scatter_weight: float = 8.0
    beat_sd_percent: float = 2.6
    drift_percent: float = 5.0
    site_spread_percent: float = 3.4
    near_percent: float = 1.0
    decided_probability: float = 0.95
    decided_visits: int = 2
    scale: str = "auto"
    whole_breaths: float = 2.0
