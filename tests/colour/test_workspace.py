import threading

import numpy as np
import pytest

from panopipe.colour.workspace import AT_ONCE_PIXELS, few_rows, scratch


def test_memory_of_one_name_is_used_again_and_of_two_never_shared() -> None:
    one, other = scratch("test one", (4, 8)), scratch("test other", (4, 8))
    assert scratch("test one", (4, 8)) is one
    assert not np.may_share_memory(one, other)
    larger = scratch("test one", (400, 800))
    assert np.may_share_memory(scratch("test one", (4, 8)), larger)


def test_each_thread_has_its_own() -> None:
    seen: list[np.ndarray] = []
    thread = threading.Thread(target=lambda: seen.append(scratch("test threads", (16, 16))))
    thread.start()
    thread.join()
    assert not np.may_share_memory(seen[0], scratch("test threads", (16, 16)))


@pytest.mark.parametrize("dtype", [np.float32, np.uint16])
def test_it_starts_beside_a_cache_line(dtype: type[np.generic]) -> None:
    # Where memory begins with a line, OpenCV stores interleaved planes past the caches (seen with 5.0).
    assert scratch(f"test {dtype.__name__}", (3, 5), dtype).ctypes.data % 64 == 16


@pytest.mark.parametrize("width", [1, 1000, AT_ONCE_PIXELS + 1])
def test_few_rows_are_all_rows_in_order(width: int) -> None:
    rows = np.zeros((37, width), np.float32)
    parts = list(few_rows(rows))
    assert [start for start, _ in parts] == np.cumsum([0] + [len(part) for _, part in parts[:-1]]).tolist()
    assert sum(len(part) for _, part in parts) == 37
    assert all(len(part) == 1 or part.size <= AT_ONCE_PIXELS for _, part in parts)
