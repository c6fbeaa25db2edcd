"""Damaging a file: in its bytes, in its numbers, in its pieces; a zip also inside."""

from __future__ import annotations

import io
import random
import re
import zipfile

# What breaks readers more often than chance does.
_BYTES = (
    *(b"\x00", b"\xff", b"\x14", b"\x15", b"\n", b"\r", b",", b";", b'"', b"'"),
    *(b"=", b"<", b"&", b"\xef\xbb\xbf", b"\x1f"),
)
_NUMBERS = (
    *(b"0", b"-1", b"1", b"99999999", b"2147483648", b"1e400", b"-1e-400"),
    *(b"NaN", b"inf", b"1_0", b"0x10", b"\xc2\xb2"),
)
_WORDS = (
    *(b"", b"\x00", b"0001-01-01", b"9999-12-31", b"2024-02-30", b"=1+1", b"A" * 300),
    *(b"\xe2\x80\xaeabc", b"\xf0\x9f\xab\x80"),
)
_NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def damaged(content: bytes, other: bytes, rng: random.Random) -> bytes:
    """Return a damaged copy; ``other`` is a file whose pieces may be put in."""
    if content.startswith(b"PK\x03\x04") and rng.random() < 0.8:
        return _inside(content, rng)
    return _changed(content, other, rng)


def _changed(content: bytes, other: bytes, rng: random.Random) -> bytes:
    raw = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        if not raw:
            break
        # Most of what can lie stands in the head.
        at = rng.randrange(len(raw) if rng.random() < 0.5 else min(len(raw), 1500))
        length = rng.choice((1, 1, 2, 4, 8, 64, 700))
        how = rng.randrange(9)
        if how == 0:
            raw[at : at + length] = rng.randbytes(length)
        elif how == 1:
            raw[at] ^= 1 << rng.randrange(8)
        elif how == 2:
            patch = rng.choice(_BYTES)
            raw[at : at + len(patch)] = patch
        elif how in (3, 4):
            _number(raw, at, rng)
        elif how == 5:
            del raw[at : at + length]
        elif how == 6:
            raw[at:at] = bytes(raw[at : at + length]) * rng.choice((1, 1, 2, 50))
        elif how == 7:
            start = rng.randrange(max(len(other), 1))
            raw[at : at + length] = other[start : start + length]
        else:
            del raw[rng.randrange(len(raw)) :]
    return bytes(raw)


def _number(raw: bytearray, at: int, rng: random.Random) -> None:
    """Put another number or word in the place of the next number; in a field of fixed width as long as that was."""
    found = _NUMBER.search(raw, at)
    if found is None:
        return
    new = rng.choice(_NUMBERS if rng.random() < 0.7 else _WORDS)
    if rng.random() < 0.5:
        new = new[: len(found[0])].ljust(len(found[0]))
    raw[found.start() : found.end()] = new


def _inside(content: bytes, rng: random.Random) -> bytes:
    """Damage one file of a zip and pack it again, so that the damage is read rather than the zip refused."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        entries = source.infolist()
        chosen = rng.choice(entries).filename
        for entry in entries:
            piece = source.read(entry)
            if entry.filename == chosen:
                if rng.random() < 0.05:
                    continue
                piece = _changed(piece, content, rng)
            archive.writestr(entry.filename, piece)
    return out.getvalue()
