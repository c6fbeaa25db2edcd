"""Damaged files in great number: ``python tests/bench/fuzz_files.py [files] [first] [seeds]``.

100,000 files made from 200 good ones (EDF, EDF+, interrupted EDF+, CSV, WFDB, DICOM waveform, aECG, tables as CSV and
XLSX) go the way of an upload or an import. Exit code 1 where one ends otherwise than in a result or a sentence, takes
more than 2 s of the processor, or where fewer than one in ten can be read. Two runs with different ``first`` share the
work. Faulty files are kept in ``var/fuzzed``.
"""

# ruff: noqa: E402 - the settings must be chosen before anything of Django is imported

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.conf import settings
from django.test.utils import get_runner, setup_test_environment

from registry.models import Role
from tests import factories as make
from tests.fuzzing.files import peak_mb, run
from tests.fuzzing.seeds import seeds


def main() -> int:
    """Run, and print what came of it."""
    asked = [int(word.replace(",", "")) for word in sys.argv[1:]]
    files, first, count = [*asked, *(100_000, 0, 200)[len(asked) :]]
    setup_test_environment()
    runner = get_runner(settings)(verbosity=0, interactive=False)
    databases = runner.setup_databases()
    keep = Path("var/fuzzed")
    keep.mkdir(parents=True, exist_ok=True)
    before = time.process_time()
    try:
        with tempfile.TemporaryDirectory() as folder:
            centre = make.make_centre()
            by = make.make_user(Role.CLINICAL_LEAD, centre)
            originals = seeds(count, Path(folder))
            faults, read, refused, worst = [], Counter[str](), Counter[str](), (0.0, "")
            for start in range(first, first + files, 1000):
                numbers = range(start, min(start + 1000, first + files))
                found = run(originals, numbers, by=by, centre=centre, folder=Path(folder), keep=keep)
                read, refused = read + found.read, refused + found.refused
                faults += found.faults
                worst = max(worst, (found.longest_s, found.longest))
                for fault in found.faults[:20]:
                    print(fault, flush=True)
                done = numbers.stop - first
                print(f"{done} files, {len(faults)} faults, {time.process_time() - before:.0f} s", flush=True)
    finally:
        runner.teardown_databases(databases)
    share = sum(read.values()) / files
    print(f"read {dict(read)}\nrefused {dict(refused)}")
    print(
        f"{files} files from {count}: {100 * share:.0f} % read, longest {worst[0]:.2f} s ({worst[1]}), "
        f"{peak_mb():.0f} MB, {len(faults)} faults, load {os.getloadavg()[0]:.1f}"
    )
    return 1 if faults or share < 0.1 else 0


if __name__ == "__main__":
    sys.exit(main())
