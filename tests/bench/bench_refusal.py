"""Ectopic beats in two hundred recordings, with and without an electrocardiogram: the long form of the suite's forty.

``python tests/bench/bench_refusal.py`` prints the counts and ends with 1 where a share is below its limit.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.procedures.haemodynamics.test_refusal import check, many, tally


def main():
    recordings = many(200, seed=32)
    for ecg in (True, False):
        print(f"{'with' if ecg else 'without'} ECG: {tally(recordings, ecg)}")
        check(recordings, ecg)


if __name__ == "__main__":
    main()
