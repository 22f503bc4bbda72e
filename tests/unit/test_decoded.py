"""Decoded frames, as written and read past the system's memory for files, are those of a plain .npy file."""

import errno
import os

import numpy as np
import pytest

from files import decoded

FRAMES = np.random.default_rng(1).integers(0, 65536, (4, 30, 41, 3)).astype(np.uint16)


@pytest.fixture
def chunk(tmp_path):
    with decoded.writer(tmp_path / "000.npy", FRAMES.shape) as write:
        for frame in FRAMES:
            write(frame)
    return tmp_path / "000.npy"


def test_a_chunk_is_a_plain_array_of_which_single_frames_are_read(chunk):
    assert np.array_equal(np.load(chunk), FRAMES)
    assert np.array_equal(decoded.read(chunk, 2), FRAMES[2])


def test_a_system_or_disk_that_keeps_all_files_gets_them_as_usual(tmp_path, monkeypatch):
    def plain(call):
        def refusing(handle, parts, at, flags=0):
            if flags:
                raise OSError(errno.EOPNOTSUPP, "not here")
            # A call may do a part of what it is asked for.
            return call(handle, [parts[0][:1000]], at)

        return refusing

    for name in ("pwritev", "preadv"):
        monkeypatch.setattr(os, name, plain(getattr(os, name)))
    with decoded.writer(tmp_path / "000.npy", FRAMES.shape) as write:
        for frame in FRAMES:
            write(frame)
    assert np.array_equal(np.load(tmp_path / "000.npy"), FRAMES)
    assert np.array_equal(decoded.read(tmp_path / "000.npy", 3), FRAMES[3])


def test_a_full_disk_leaves_nothing_under_the_true_name(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(os, "pwritev", full)
    with pytest.raises(OSError, match="full"), decoded.writer(tmp_path / "000.npy", FRAMES.shape) as write:
        write(FRAMES[0])
    assert not list(tmp_path.iterdir())


def test_a_chunk_that_ends_too_early_is_an_error(chunk):
    os.truncate(chunk, os.path.getsize(chunk) - 1)
    with pytest.raises(OSError, match="ends too early"):
        decoded.read(chunk, 3)


def test_frames_come_in_any_order_the_next_ones_read_ahead(chunk, monkeypatch):
    taken, read = [], decoded.read
    monkeypatch.setattr(decoded, "read", lambda path, place: taken.append(place) or read(path, place))
    frames = decoded.Frames(lambda name: (chunk, int(name)), ["0", "2", "2", "1"])
    for name in ("0", "2", "3", "2", "1"):
        frames.read_on()
        assert np.array_equal(frames[name], FRAMES[int(name)])
    # Each once for each time that it is asked for.
    assert sorted(taken) == [0, 1, 2, 2, 3]
