"""A row of cans laid in turns of N, so that the eye sees the column in which the bad ones stand."""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.cases.sequence.facts import BAD, UNSEEN
from tracelog.language import _
from tracelog.stats.repeats import LARGEST_KNOWN

# A can and what stands around it, in units of the drawing.
_CAN = 24
_LEFT, _TOP = 44, 30


@dataclass(frozen=True)
class LaidCan:
    """One can: its centre, its letter (g, b or ?), its number in the row."""

    x: int
    y: int
    letter: str
    number: int


@dataclass(frozen=True)
class Laid:
    """The drawing of a row in turns.

    Attributes:
        every: cans in a turn.
        width, height: of the drawing.
        cans: all of them.
        columns: left edge and centre of each column of the repeat.
        heads: centre and number of the columns that are numbered; whether it is the repeat's.
        turns: height, and number of the first can, of each turn.
        words: what the drawing shows, for those who do not see it.
    """

    every: int
    width: int
    height: int
    cans: tuple[LaidCan, ...]
    columns: tuple[tuple[int, int], ...]
    heads: tuple[tuple[int, int, bool], ...]
    turns: tuple[tuple[int, int], ...]
    words: str

    @property
    def can(self) -> int:
        """Width of a column."""
        return _CAN

    @property
    def depth(self) -> int:
        """Height of the columns."""
        return self.height - _TOP


def lay(cans: str, every: int, places: Sequence[int]) -> Laid:
    """Lay a row in turns.

    Args:
        cans: a letter for each can.
        every: cans in a turn, 1 to 240.
        places: columns of the repeat, from 0.
    """
    every = max(1, min(every, LARGEST_KNOWN, len(cans)))
    shown = tuple(
        LaidCan(
            _LEFT + at % every * _CAN + _CAN // 2,
            _TOP + at // every * _CAN + _CAN // 2,
            one,
            at + 1,
        )
        for at, one in enumerate(cans)
    )
    turns = -(-len(cans) // every)
    marked = sorted(place for place in places if place < every)
    step = 1 if every <= 12 else 2 if every <= 36 else 4
    named = sorted({*range(0, every, step), *marked} - _crowded(marked, step))
    return Laid(
        every,
        _LEFT + every * _CAN + 4,
        _TOP + turns * _CAN + 4,
        shown,
        tuple((_LEFT + one * _CAN, _LEFT + one * _CAN + _CAN // 2) for one in marked),
        tuple((_LEFT + one * _CAN + _CAN // 2, one + 1, one in marked) for one in named),
        tuple((_TOP + one * _CAN + _CAN // 2, one * every + 1) for one in range(turns)),
        _words(cans, every),
    )


def _crowded(marked: Sequence[int], step: int) -> set[int]:
    """Columns beside a marked one, whose numbers would run into its own."""
    if step == 1:
        return set()
    return {near for one in marked for near in (one - 1, one + 1)} - set(marked)


def _words(cans: str, every: int) -> str:
    bad = [str(at + 1) for at, one in enumerate(cans) if one == BAD]
    unseen = cans.count(UNSEEN)
    return _(
        "%(cans)d cans in turns of %(every)d. Bad: %(bad)s. Not looked at: %(unseen)d.",
        cans=len(cans),
        every=every,
        bad=", ".join(bad) or _("none"),
        unseen=unseen,
    )
