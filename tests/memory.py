"""Peak memory of a piece of work, as the kernel keeps it for this process.

``getrusage`` will not do: a child inherits its parent's peak, and a parent that built a long recording hides all of
the child's own.
"""

from collections.abc import Callable
from pathlib import Path


def _status(name: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name):
            return int(line.split()[1]) * 1024
    raise LookupError(name)


def peak_above(work: Callable[[], object]) -> int:
    """Return by how many bytes the process grew at most while it did the work (Linux)."""
    Path("/proc/self/clear_refs").write_text("5")  # the peak starts again from what is held now
    before = _status("VmRSS")
    work()
    return _status("VmHWM") - before
