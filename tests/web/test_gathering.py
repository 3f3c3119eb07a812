"""What several threads bring is done together, and each is told what became of its own."""

import threading
import time
from collections.abc import Callable

import pytest

from tracelog.web.gathering import Gatherer


class Work:
    """Doubles numbers, once it is let; remembers the groups."""

    def __init__(self) -> None:
        self.groups: list[list[int]] = []
        self.begun, self.go_on = threading.Semaphore(0), threading.Semaphore(0)

    def __call__(self, take: Callable[[], list[int]]) -> list[int]:
        group = take()
        self.groups.append(group)
        self.begun.release()
        assert self.go_on.acquire(timeout=20)
        if 13 in group:
            raise ValueError("an unlucky number")
        return [2 * number for number in group]


def bring(gatherer: Gatherer[int, int], number: int, told: dict[int, object]) -> threading.Thread:
    def run() -> None:
        try:
            told[number] = gatherer.bring(number)
        except ValueError as problem:
            told[number] = str(problem)

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def until(is_so: Callable[[], bool]) -> None:
    give_up_at = time.monotonic() + 20
    while not is_so():
        assert time.monotonic() < give_up_at
        time.sleep(0.002)


def gathered(work: Work, numbers: list[int], most: int = 64) -> dict[int, object]:
    """The first number leads alone, while the others come one after another."""
    gatherer: Gatherer[int, int] = Gatherer(work, most)
    told: dict[int, object] = {}
    threads = [bring(gatherer, numbers[0], told)]
    assert work.begun.acquire(timeout=20)
    for place, number in enumerate(numbers[1:], 1):
        threads.append(bring(gatherer, number, told))
        until(lambda: len(gatherer) == place)  # noqa: B023
    for _group in numbers:
        work.go_on.release()
    for thread in threads:
        thread.join(20)
    return told


def test_who_comes_while_a_group_is_done_belongs_to_the_next() -> None:
    work = Work()
    assert gathered(work, [1, 2, 3, 4]) == {1: 2, 2: 4, 3: 6, 4: 8}
    assert work.groups == [[1], [2, 3, 4]]


def test_a_group_has_its_limit() -> None:
    work = Work()
    assert gathered(work, [1, 2, 3, 4, 5, 6], most=2) == {n: 2 * n for n in range(1, 7)}
    assert work.groups == [[1], [2, 3], [4, 5], [6]]


def test_what_goes_wrong_is_told_to_each_of_the_group_and_to_nobody_else() -> None:
    told = gathered(Work(), [1, 2, 13, 4, 5], most=3)
    assert told == {1: 2, **dict.fromkeys((2, 13, 4), "an unlucky number"), 5: 10}


def test_what_goes_wrong_before_the_group_is_taken_is_told_too() -> None:
    def refuse(_take: Callable[[], list[int]]) -> list[int]:
        raise OSError("no turn")

    gatherer: Gatherer[int, int] = Gatherer(refuse)
    for _time in range(2):
        with pytest.raises(OSError, match="no turn"):
            gatherer.bring(1)
    assert len(gatherer) == 0
