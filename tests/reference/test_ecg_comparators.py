"""Against a general-purpose library's delineation (neurokit2 0.2, MIT) in one run: smaller error, ten times faster.

The annotated record of pydicom and simulated records of exact width; a comparator's limits are taken as the better of
the median over leads and the outermost lead. neurokit2 measures lead by lead and makes no claim to a global QRS.
"""

import importlib.util
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parents[1] / "bench" / "bench_electrocardiogram.py"


@pytest.fixture(scope="module")
def table():
    pytest.importorskip("neurokit2")
    spec = importlib.util.spec_from_file_location("bench_electrocardiogram", BENCH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.run(widths=(100, 170), times=1)


@pytest.mark.slow
@pytest.mark.xdist_group("comparators")  # one table for all four
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("records", ["annotated", "simulated"])
@pytest.mark.parametrize("comparator", ["neurokit2 dwt", "neurokit2 cwt"])
def test_smaller_error_in_a_tenth_of_the_time(table, records, comparator):
    ours, theirs = table[f"tributary, {records}"], table[f"{comparator}, {records}"]
    for limit in ("onset_ms", "offset_ms", "duration_ms"):
        assert ours[limit] < theirs[limit]
    assert ours["failed"] == 0
    assert theirs["seconds"] > 10 * ours["seconds"]
