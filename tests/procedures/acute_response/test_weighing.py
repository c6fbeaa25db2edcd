from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from procedures.acute_response import Criterion, Fact, weigh

RESPONSE = Criterion("response", "Response", 1, "%", 1.0)
THRESHOLD = Criterion("threshold", "Capture threshold", -1, "V", 0.25)
PHRENIC = Criterion("phrenic", "Phrenic margin", 1, "V", 0.5)
ALL = [RESPONSE, THRESHOLD, PHRENIC]


def site(response: float | None, threshold: float | None, phrenic: Fact | float | None = None) -> dict:
    fact = Fact(phrenic) if isinstance(phrenic, (int, float)) else phrenic
    return {
        "response": None if response is None else Fact(response),
        "threshold": None if threshold is None else Fact(threshold),
        "phrenic": fact,
    }


def test_site_worse_on_all_counts_is_beaten_and_says_by_whom() -> None:
    result = weigh({"A": site(9, 1.0, 6), "B": site(5, 2.0, 3), "C": site(4, 0.5, 2)}, ALL)
    assert result.unbeaten == ("A", "C")
    assert result.beaten_by == {"B": "A"}


def test_difference_below_the_resolution_beats_nobody() -> None:
    assert weigh({"A": site(9.0, 1.0), "B": site(8.5, 1.0)}, ALL).unbeaten == ("A", "B")


def test_what_is_not_known_is_not_held_against_a_site() -> None:
    assert weigh({"A": site(9, 1.0, 6), "B": site(5, None, 3)}, ALL).unbeaten == ("A", "B")
    assert weigh({"A": site(9, None), "B": site(5, None)}, ALL).unbeaten == ("A",)


def test_no_stimulation_up_to_a_limit_is_a_bound() -> None:
    free, early = Fact(6.0, at_least=True), 2.0
    assert weigh({"A": site(9, 1.0, free), "B": site(5, 1.0, early)}, ALL).unbeaten == ("A",)
    assert weigh({"A": site(9, 1.0, 8.0), "B": site(5, 1.0, free)}, ALL).unbeaten == ("A", "B")
    assert weigh({"A": site(9, 1.0, Fact(4.0, True)), "B": site(5, 1.0, free)}, ALL).unbeaten == ("A",)


facts = st.fixed_dictionaries(
    {c.key: st.none() | st.builds(Fact, st.floats(-20, 20, width=16), st.booleans()) for c in ALL}
)


@given(st.dictionaries(st.sampled_from("ABCDEF"), facts, min_size=1))
def test_somebody_is_always_unbeaten_when_bounds_are_left_out(sites: dict) -> None:
    plain = {s: {k: f and Fact(f.value) for k, f in known.items()} for s, known in sites.items()}
    result = weigh(plain, ALL)
    assert result.unbeaten
    assert set(result.unbeaten) | set(result.beaten_by) == set(sites)
    assert not set(result.unbeaten) & set(result.beaten_by)


def test_the_only_unbeaten_site_need_not_beat_every_other() -> None:
    sites = {"A": site(10, 1.0, Fact(3.0, True)), "B": site(8, 1.0, Fact(10.0, True)), "C": site(5, 1.0, 8.0)}
    result = weigh(sites, ALL)
    assert result.unbeaten == ("A",)
    assert result.beaten_by == {"B": "A", "C": "B"}
