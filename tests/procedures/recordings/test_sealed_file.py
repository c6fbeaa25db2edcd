"""Encrypted files: the same bytes from any place, growth at the end, and an error where they were changed."""

import hashlib
import os
from uuid import uuid4

import numpy as np
import pytest

from procedures.recordings import RecordingError
from procedures.recordings.hashing import FollowedHashes, sha256_of
from procedures.recordings.sealed_file import SEGMENT_BYTES, SealedWriter, owner_of, seal_into, sealed_path

OWNER, KEY = uuid4(), os.urandom(32)
CONTENT = np.random.default_rng(5).bytes(3 * SEGMENT_BYTES + 777)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "file"
    with path.open("w+b", buffering=0) as file:
        assert seal_into(file, [CONTENT[:10], CONTENT[10:]], OWNER, KEY)[1] == len(CONTENT)
    return path


def writer(path):
    return path.open("r+b", buffering=0)


def test_any_part_reads_as_it_was_written_and_nothing_of_it_lies_open(path):
    sealed = sealed_path(path, KEY)
    assert (sealed.read_bytes(), sealed.stat().st_size, owner_of(path)) == (CONTENT, len(CONTENT), OWNER)
    drawn = np.random.default_rng(6)
    with sealed.open("rb") as file:
        for _ in range(40):
            begin, length = (int(one) for one in drawn.integers((len(CONTENT), 2 * SEGMENT_BYTES)))
            file.seek(begin)
            assert file.read(length) == CONTENT[begin : begin + length]
    assert sha256_of(sealed) == hashlib.sha256(CONTENT).hexdigest()
    raw = path.read_bytes()
    assert not any(CONTENT[at : at + 12] in raw for at in range(0, len(CONTENT), 997))


def test_it_grows_can_be_taken_back_and_forgets_what_was_half_written(path):
    follow, sealed = FollowedHashes(), sealed_path(path, KEY)
    assert follow.follow(sealed) == hashlib.sha256(CONTENT).hexdigest()
    before = path.read_bytes()
    with writer(path) as file:
        own = SealedWriter(file, KEY)
        own.write(b"x" * 100_000)
        own.take_back()
    assert path.read_bytes() == before
    with writer(path) as file:
        SealedWriter(file, KEY).write(b"more")
    whole = path.read_bytes()
    with path.open("ab") as file:
        file.write(whole[-60:-20])  # a process was lost within a segment
    assert sealed.read_bytes() == CONTENT + b"more"
    assert follow.follow(sealed) == hashlib.sha256(CONTENT + b"more").hexdigest()
    with writer(path) as file:
        own = SealedWriter(file, KEY)
        assert own.length == len(CONTENT) + 4
        own.write(b"!")
    assert sealed.read_bytes() == CONTENT + b"more!"


@pytest.mark.parametrize("place", [30, 60, 90, 70_000, -1])
def test_a_changed_byte_is_an_error(path, place):
    raw = bytearray(path.read_bytes())
    raw[place] ^= 1
    path.write_bytes(raw)
    with pytest.raises(RecordingError, match="damaged"):
        sealed_path(path, KEY).read_bytes()


def test_segments_of_one_place_or_file_do_not_fit_another(path, tmp_path):
    raw, size = path.read_bytes(), 4 + 12 + SEGMENT_BYTES + 16
    start = len(raw) - (len(CONTENT) + 32 * 5)
    first, other = start + 4 + 12 + 10 + 16, tmp_path / "other"
    swapped = raw[:first] + raw[first + size : first + 2 * size] + raw[first : first + size] + raw[first + 2 * size :]
    path.write_bytes(swapped)
    with pytest.raises(RecordingError, match="damaged"):
        sealed_path(path, KEY).read_bytes()
    with other.open("w+b", buffering=0) as file:
        seal_into(file, [CONTENT[:10], CONTENT[10:]], OWNER, KEY)
    path.write_bytes(other.read_bytes()[:start] + raw[start:])
    with pytest.raises(RecordingError, match="damaged"):
        sealed_path(path, KEY).read_bytes()


def test_another_key_opens_nothing_and_a_file_in_the_clear_is_refused(path, tmp_path):
    with pytest.raises(RecordingError, match="damaged"):
        sealed_path(path, os.urandom(32)).read_bytes()
    clear = tmp_path / "clear"
    clear.write_bytes(CONTENT)
    assert owner_of(clear) is None
    with pytest.raises(RecordingError, match="damaged"):
        sealed_path(clear, KEY).read_bytes()
