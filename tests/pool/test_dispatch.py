"""Tasks go out as they are wanted, and come home one by one."""

from collections.abc import Iterator

from panopipe.errors import FrameFault
from panopipe.pool.dispatch import Inline, dispatch, dispatch_twice
from panopipe.pool.worker_pool import WorkerPool


def double(number: int) -> int:
    return 2 * number


class Counted:
    """Tasks that count how many were taken and are not home."""

    def __init__(self, count: int) -> None:
        self.count, self.out, self.most = count, 0, 0

    def __iter__(self) -> Iterator[tuple[str, int]]:
        for number in range(self.count):
            self.out += 1
            self.most = max(self.most, self.out)
            yield f"{number:03d}", number


def sent(executor: Inline | WorkerPool, tasks: Counted) -> dict[str, int | None]:
    home = {}
    for key, result in dispatch(executor, double, tasks, lambda _: None):
        tasks.out -= 1
        home[key] = result.result
    return home


def test_very_many_tasks_need_no_room_at_once() -> None:
    tasks = Counted(200)
    with WorkerPool(2) as pool:
        home = sent(pool, tasks)
        assert tasks.most <= pool.ahead
    assert home == {f"{number:03d}": 2 * number for number in range(200)}


def test_what_is_done_in_this_process_is_home_before_the_next_is_begun() -> None:
    tasks = Counted(5)
    assert len(sent(Inline(), tasks)) == 5
    assert tasks.most == 1


def test_what_may_pass_is_tried_once_more_at_the_end_and_what_may_not_is_home_at_once() -> None:
    tries: list[str] = []

    def work(name: str) -> str:
        tries.append(name)
        if name == "broken":
            raise FrameFault("no such tile")
        if name == "hopeless" or (name == "unlucky" and tries.count(name) == 1):
            raise MemoryError
        return name

    again: list[Inline] = []

    def one_more() -> Inline:
        again.append(Inline())
        return again[-1]

    noted: list[str] = []
    names = ["unlucky", "broken", "hopeless", "sound"]
    home = dispatch_twice(
        (Inline(), one_more), work, names, str, lambda _: None, lambda key, _: noted.append(key)
    )
    assert [(key, done.result) for key, done in home] == [
        ("broken", None),
        ("sound", "sound"),
        ("unlucky", "unlucky"),
        ("hopeless", None),
    ]
    assert (tries, noted, len(again)) == ([*names, "unlucky", "hopeless"], ["unlucky", "hopeless"], 1)
