"""Pictures that wait: some in memory, the others on the disk, all the same when they are asked for."""

import numpy as np

from files.waiting import Waiting


def test_arrays_come_back_from_memory_and_from_the_disk(tmp_path):
    """Whatever their kind and however they lie in memory."""
    numbers = np.arange(24, dtype=np.uint8).reshape(4, 6)
    arrays = [numbers, numbers.T, np.float32(numbers) / 7, numbers[::2], numbers[:0]]
    with (tmp_path / "beside").open("w+b") as beside:
        waiting = Waiting(beside, room=30)
        asked = [waiting.put(array) for array in arrays]
        for array, ask in zip(arrays, asked, strict=True):
            for _ in range(2):
                found = ask()
                assert found.dtype == array.dtype and found.shape == array.shape and (found == array).all()
        assert [ask() is array for array, ask in zip(arrays, asked, strict=True)] == [True, False, False, False, True]
