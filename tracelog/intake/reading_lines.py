"""Lines of readings.csv as columns, where every cell is written in the plainest way.

What is written otherwise (blanks, plant time, an offset, figures that cannot be) is not judged
here: such lines are read one by one like the rows of any file.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.strokes.reading_columns import Marks, ReadingColumns
from tracelog.strokes.rules import Whole

Letters = npt.NDArray[np.uint8]
Cell = tuple[Whole, Whole]

_COMMA, _LF, _ZERO = (ord(sign) for sign in ",\n0")
_MOST_DIGITS = {"line": 3, "bodymaker": 3, "strokes": 15}
# 2026-03-29T06:15:00Z, or with six more digits before the Z
_SIGNS = {4: "-", 7: "-", 10: "T", 13: ":", 16: ":"}
_SHORT, _LONG = 20, 27
_YEARS = (1900, 2200)
_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


@dataclass(frozen=True)
class PlainReadings:
    """What the plain lines of a block say.

    Attributes:
        columns: one place for each line; what stands there for other lines means nothing.
        is_plain: marks the lines that are plain.
        starts: where each line begins in the block.
        ends: where its line feed stands.
    """

    columns: ReadingColumns
    is_plain: Marks
    starts: Whole
    ends: Whole


def plain_readings(block: bytes, header: Sequence[str]) -> PlainReadings:
    """Read the lines of a block.

    Args:
        block: whole lines with LF at the end of each, of ASCII without quotes.
        header: the columns' names, all of a reading's in any order.
    """
    letters = np.frombuffer(block, dtype=np.uint8)
    ends = np.flatnonzero(letters == _LF)
    starts = np.concatenate([np.zeros(1, dtype=np.int64), ends[:-1] + 1])
    commas = np.flatnonzero(letters == _COMMA)
    each = np.bincount(np.searchsorted(ends, commas), minlength=len(ends))
    is_plain = each == len(header) - 1
    # Lines with another number of cells are read as if they were empty.
    edges = np.repeat(starts[:, None], len(header) + 1, axis=1)
    edges[is_plain, 0] -= 1
    edges[is_plain, -1] = ends[is_plain]
    edges[is_plain, 1:-1] = commas[np.repeat(is_plain, each)].reshape(-1, len(header) - 1)
    cells = {name: (edges[:, place] + 1, edges[:, place + 1]) for place, name in enumerate(header)}
    found = {"read_at": _instants(letters, cells["read_at"], is_plain)}
    found |= {
        name: _digits(letters, cells[name], most, is_plain) for name, most in _MOST_DIGITS.items()
    }
    is_plain &= (found["line"] > 0) & (found["bodymaker"] > 0)
    return PlainReadings(_columns(found), is_plain, starts, ends)


def _columns(found: Mapping[str, Whole]) -> ReadingColumns:
    return ReadingColumns(found["line"], found["bodymaker"], found["read_at"], found["strokes"])


def _digits(letters: Letters, cell: Cell, most: int, is_plain: Marks) -> Whole:
    """Whole numbers of plain digits; takes the mark from lines that hold something else."""
    start, end = cell
    long = end - start
    is_plain &= (long > 0) & (long <= most)
    value = np.zeros(len(start), dtype=np.int64)
    for place in range(int(long[is_plain].max(initial=0))):
        digit = letters[np.maximum(end - 1 - place, 0)].astype(np.int64) - _ZERO
        is_there = place < long
        is_plain &= ~is_there | ((digit >= 0) & (digit <= 9))
        value += np.where(is_there, digit, 0) * 10**place
    return value


def _instants(letters: Letters, cell: Cell, is_plain: Marks) -> Whole:
    """Microseconds since 1970; takes the mark from lines whose instant is written otherwise."""
    start, end = cell
    value = np.zeros(len(start), dtype=np.int64)
    right = np.zeros(len(start), dtype=np.bool_)
    for long in (_SHORT, _LONG):
        rows = np.flatnonzero(is_plain & (end - start == long))
        if len(rows):
            signs = letters[start[rows, None] + np.arange(long)]
            value[rows], right[rows] = _instants_of(signs)
    is_plain &= right
    return value


def _instants_of(signs: Letters) -> tuple[Whole, Marks]:
    """Instants of texts of one length, and which of them are some."""
    long = signs.shape[1]
    right = signs[:, -1] == ord("Z")
    expected = _SIGNS if long == _SHORT else _SIGNS | {19: "."}
    for place, sign in expected.items():
        right &= signs[:, place] == ord(sign)
    digits = signs.astype(np.int64) - _ZERO
    numerals = [place for place in range(long - 1) if place not in expected]
    right &= ((digits[:, numerals] >= 0) & (digits[:, numerals] <= 9)).all(axis=1)
    year, month, day, hour, minute, second = (
        _number(digits, *cut) for cut in ((0, 4), (5, 7), (8, 10), (11, 13), (14, 16), (17, 19))
    )
    right &= (year >= _YEARS[0]) & (year <= _YEARS[1]) & (month >= 1) & (month <= 12)
    right &= (hour <= 23) & (minute <= 59) & (second <= 59)
    month = np.clip(month, 1, 12)
    is_leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    right &= (day >= 1) & (day <= _DAYS[month - 1] + (is_leap & (month == 2)))
    months = (np.clip(year, *_YEARS) - 1970) * 12 + month - 1
    days = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + day - 1
    seconds = ((days * 24 + hour) * 60 + minute) * 60 + second
    part = 0 if long == _SHORT else _number(digits, 20, 26)
    return seconds * 1_000_000 + part, right


def _number(digits: Whole, start: int, end: int) -> Whole:
    powers = 10 ** np.arange(end - start - 1, -1, -1, dtype=np.int64)
    return digits[:, start:end] @ powers
