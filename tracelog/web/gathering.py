"""Requests of one process that are kept together: those that wait share one transaction.

Each commit waits for the disk, and each transaction for its turn. Whatever arrives meanwhile need
not wait for a disk and a turn of its own: one of the waiting threads takes all, keeps them, and
tells the others what became of theirs once it is committed.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST_TOGETHER = 64


@dataclass
class _Member(Generic[Item, Result]):
    item: Item
    told: threading.Event = field(default_factory=threading.Event)
    is_done: bool = False
    results: list[Result] = field(default_factory=list)
    problem: BaseException | None = None


class Gatherer(Generic[Item, Result]):
    """Gathers what several threads bring, and has it done group by group, one group at a time.

    Args:
        work: does a group. It calls what it is given once it is ready to begin, and gets the group
            (one item at least); it returns one result for each, in order, after all is committed.
            What it raises is raised for every member.
        most: items of a group at most.
    """

    def __init__(
        self,
        work: Callable[[Callable[[], list[Item]]], Sequence[Result]],
        most: int = MOST_TOGETHER,
    ) -> None:
        self._work, self._most = work, most
        self._lock = threading.Lock()
        self._waiting: list[_Member[Item, Result]] = []
        self._is_led = False

    def __len__(self) -> int:
        """How many wait for the next group."""
        return len(self._waiting)

    def bring(self, item: Item) -> Result:
        """Have an item done, alone or with others; returns what became of it."""
        own: _Member[Item, Result] = _Member(item)
        with self._lock:
            self._waiting.append(own)
            leads = not self._is_led
            self._is_led = True
        if not leads:
            own.told.wait()
        if not own.is_done:
            self._lead()
        if own.problem is not None:
            raise own.problem
        return own.results[0]

    def _lead(self) -> None:
        """Do the group of those who wait; whoever leads is the first of them."""
        group: list[_Member[Item, Result]] = []

        def take() -> list[Item]:
            with self._lock:
                group.extend(self._waiting[: self._most])
                del self._waiting[: self._most]
            return [one.item for one in group]

        try:
            for one, result in zip(group, self._work(take), strict=True):
                one.results.append(result)
        except BaseException as problem:
            if not group:
                take()
            for one in group:
                one.problem = problem
        with self._lock:
            following = self._waiting[0] if self._waiting else None
            self._is_led = following is not None
        for one in group:
            one.is_done = True
            one.told.set()
        if following is not None:
            following.told.set()
