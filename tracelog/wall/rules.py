"""What a screen says and in which order: decisions that need no database."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Generic, TypeVar

Item = TypeVar("Item")
# A screen that nobody has answered for so long says that it is not fresh.
STALE_AFTER = timedelta(seconds=40)
# A browser comes back for news after so long; see `tracelog.wall.views.events`.
COME_BACK = timedelta(seconds=5)
# So many of a list are sent; the screen itself shows what fits, and counts the rest.
MOST_SHOWN = 6
# Of the whole plant, below its lines.
MOST_ON_TOP = 2
# The content also changes with time alone: services fall due, counters fall silent, shifts end.
REFRESH_EVERY = timedelta(minutes=1)


@dataclass(frozen=True)
class Cut(Generic[Item]):
    """The head of a list, and how many there are beyond it."""

    shown: tuple[Item, ...]
    more: int

    @property
    def total(self) -> int:
        """How many there are in all."""
        return len(self.shown) + self.more


def cut(items: Sequence[Item], most: int = MOST_SHOWN) -> Cut[Item]:
    """The first `most` items; a single one that is left is shown rather than counted.

    Example:
        >>> cut("abcdef", 4), cut("abcde", 4).more
        (Cut(shown=('a', 'b', 'c', 'd'), more=2), 0)
    """
    most = most + 1 if len(items) == most + 1 else most
    return Cut(tuple(items[:most]), max(len(items) - most, 0))


def mark_of(last_record: int, signals_until: int, moment: datetime) -> str:
    """What stands for the content of a screen: equal marks, nothing new to show.

    Args:
        last_record: number of the last audit record: every fact that is kept leaves one.
        signals_until: the record up to which signals were worked out, which happens later.
        moment: now, UTC.
    """
    minute = int(moment.timestamp() // REFRESH_EVERY.total_seconds())
    return f"{last_record}.{signals_until}.{minute}"
