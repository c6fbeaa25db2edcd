"""Taking an encrypted file into the store of originals."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path

from procedures.selectors.places import incoming, original_name, originals_root


def keep(path: Path, kept_as: str) -> None:
    """Take a file into the store unless it lies there; a row that fails later leaves only a spare file."""
    target = originals_root() / original_name(kept_as)
    with suppress(FileNotFoundError):
        os.utime(target)  # what was spare until now is young again, and is not cleared before the row is written
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    # Another name for the same bytes, at once; what forgets the upload takes away the first name only.
    with suppress(OSError):
        os.link(path, target)
        target.chmod(0o600)
        os.utime(target)
        return
    with tempfile.NamedTemporaryFile(dir=incoming(), delete=False) as copy:
        try:
            with open(os.fspath(path), "rb") as stream:  # noqa: PTH123 - the bytes as they lie
                shutil.copyfileobj(stream, copy, 1 << 20)
            copy.flush()
            Path(copy.name).replace(target)
        except BaseException:
            Path(copy.name).unlink(missing_ok=True)
            raise
