"""Many readings as columns: what is plain about them is decided on whole columns; no database."""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from tracelog.outcomes import Became, Outcome
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.hours import instant, microseconds
from tracelog.strokes.rules import Whole

Marks = npt.NDArray[np.bool_]
# Numbers of lines and machines have at most three digits.
_LINE = 1000


@dataclass(frozen=True)
class ReadingColumns:
    """Readings of bodymakers, one in each place of all columns; whole numbers.

    `read_at` is microseconds since 1970, UTC. Each is right by itself, as `ReadingFact` says it.
    """

    line: Whole
    bodymaker: Whole
    read_at: Whole
    strokes: Whole

    def __len__(self) -> int:
        return len(self.read_at)

    @classmethod
    def of(cls, facts: Sequence[ReadingFact]) -> Self:
        """Facts as columns."""
        rows = [(one.line, one.bodymaker, microseconds(one.read_at), one.strokes) for one in facts]
        return cls(*np.array(rows, dtype=np.int64).reshape(-1, 4).T)

    def at(self, places: npt.NDArray[np.int64] | Marks) -> Self:
        """Those at some places, in that order."""
        return type(self)(*(getattr(self, one.name)[places] for one in fields(self)))

    def put(self, places: Sequence[int], others: "ReadingColumns") -> None:
        """Let some places hold what others say."""
        for one in fields(self):
            getattr(self, one.name)[places] = getattr(others, one.name)

    def fact(self, place: int) -> ReadingFact:
        """One of them as the fact that it is."""
        return ReadingFact.model_validate(
            {
                "line": int(self.line[place]),
                "bodymaker": int(self.bodymaker[place]),
                "read_at": instant(int(self.read_at[place])),
                "strokes": int(self.strokes[place]),
            }
        )

    def machines(self) -> tuple[list[tuple[int, int]], Whole]:
        """Line and number of each bodymaker, in that order; and which of them each row is of."""
        codes, which = np.unique(self.line * _LINE + self.bodymaker, return_inverse=True)
        return [divmod(code, _LINE) for code in codes.tolist()], which.astype(np.int64)


@dataclass(frozen=True)
class ManyOutcomes:
    """What became of many readings: how many are new, how many were there, which are refused."""

    created: int = 0
    unchanged: int = 0
    refused: dict[int, Outcome] = field(default_factory=dict)

    def counts(self) -> dict[str, int]:
        """How many became what, as `outcomes.counts`; what none became is left out."""
        many = {
            Became.CREATED: self.created,
            Became.UNCHANGED: self.unchanged,
            Became.REFUSED: len(self.refused),
        }
        return {became.value: count for became, count in many.items() if count}


def found_twice(which: Whole, read_at: Whole, order: Whole) -> Marks:
    """Marks rows whose machine and instant another row has too.

    Args:
        which: machine of each row.
        read_at: instant of each row.
        order: places of the rows by machine and instant.
    """
    same = np.diff(which[order]) == 0
    same &= np.diff(read_at[order]) == 0
    twice = np.zeros(len(order), dtype=np.bool_)
    twice[order[1:]] = same
    twice[order[:-1]] |= same
    return twice


def written_instants(read_at: Whole) -> list[str]:
    """Instants as `write_instant` writes them."""
    seconds = np.datetime_as_string(read_at.astype("datetime64[us]"), unit="s").tolist()
    rest = read_at % 1_000_000
    if not rest.any():
        return [f"{text}Z" for text in seconds]
    return [
        f"{text}.{part:06d}Z" if part else f"{text}Z"
        for text, part in zip(seconds, rest.tolist(), strict=True)
    ]
