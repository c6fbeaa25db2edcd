"""Small recordings to read back."""

import numpy as np
import pytest

from procedures.recordings import Annotation, Channel, Signals

MARKS = (Annotation(0.0, 5.0, "baseline"), Annotation(6.25, None, "site:L2 mid"))


@pytest.fixture
def make_signals():
    def make(
        rates=(1000.0, 250.0),
        duration_s=12.0,
        annotations=MARKS,
        started_at=None,
    ):
        rng = np.random.default_rng(4)
        names = (("P_LV", "mmHg"), ("V_1", "mL"), ("ECG_II", "mV"))
        channels = tuple(
            Channel(*names[i], rate, np.cumsum(rng.normal(0, 1, round(rate * duration_s))) + 60)
            for i, rate in enumerate(rates)
        )
        return Signals(channels, annotations, "EDF+", duration_s, started_at=started_at)

    return make


@pytest.fixture
def write_csv(tmp_path):
    def write(
        header="time_s,P_LV [mmHg],V_LV [mL]",
        rows=None,
        name="recording.csv",
        encoding="utf-8",
        separator=",",
    ):
        if rows is None:
            rows = [[f"{i / 1000:.3f}", f"{i % 90}", f"{100 + i % 50}.5"] for i in range(2000)]
        path = tmp_path / name
        text = "\n".join([header, *(separator.join(map(str, row)) for row in rows)]) + "\n"
        path.write_bytes(text.encode(encoding))
        return path

    return write
