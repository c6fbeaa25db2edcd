"""The worked session's recording: generated once a run, whichever worker or database asks first."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import time
from pathlib import Path
from typing import Any

from fixtures.demo.scenario import scenario
from fixtures.demo.worked_recording import _Writer

# As it is before a test puts ``copy_worked_recording`` in its place.
_generate = _Writer.__call__
NAME, TRUTH = "worked.edf", "worked.truth.json"


def worked_recording() -> tuple[Path, dict[str, Any]]:
    """Return the file, which nobody may change, and the truth it was made from."""
    folder = Path(os.environ["TRIBUTARY_TEST_RUN"]) / "worked"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "made").exists():
            (told,) = (one for session in scenario().sessions for one in session.recordings)
            started = time.process_time()
            _generate(told.write, folder / NAME)
            (folder / "made").write_text(str(time.process_time() - started), encoding="utf-8")
    return folder / NAME, json.loads((folder / TRUTH).read_text(encoding="utf-8"))


def copy_worked_recording(path: Path) -> dict[str, Any]:
    """Stand in for the generator: put a copy of the file and its truth where it would have written them."""
    made, truth = worked_recording()
    shutil.copyfile(made, path)
    shutil.copyfile(made.with_name(TRUTH), path.with_suffix(".truth.json"))
    return truth


def processor_time_s() -> float:
    """Return what making it took of one core."""
    made, _ = worked_recording()
    return float(made.with_name("made").read_text(encoding="utf-8"))
