from __future__ import annotations

import pytest

from procedures.models import EpochBeats
from procedures.selectors.loops import state_loops
from tests.procedures.comparing import recorded_session

pytestmark = pytest.mark.django_db


def test_loops_are_the_mean_of_a_states_epochs_baseline_first() -> None:
    session = recorded_session({"A": 10.0})
    loops = state_loops(session)
    assert [loop.state for loop in loops] == ["baseline", "A"]
    volumes = [beats.loop["volume_ml"] for beats in EpochBeats.objects.filter(epoch__site__label="A")]
    assert loops[1].volume_ml[7] == pytest.approx(sum(v[7] for v in volumes) / len(volumes), abs=1e-3)
    assert len(loops[1].segments_ml) == 3


def test_epochs_with_other_segments_or_no_loop_do_not_spoil_the_mean() -> None:
    session = recorded_session({"A": 10.0})
    first, second = EpochBeats.objects.filter(epoch__site__label="A").order_by("epoch__started_at")
    first.loop["segments_ml"] = first.loop["segments_ml"][:2]
    first.save()
    assert len(state_loops(session)[1].segments_ml) == 3
    second.loop = {}
    second.save()
    assert len(state_loops(session)[1].segments_ml) == 2
