"""The pair of numbers debossed in a can's dome, line first: reading it and writing it."""

import re
from dataclasses import dataclass

from tracelog.language import _

_SEPARATED = re.compile(r"([0-9?]{1,4})\s*(?:[-/.]|\s)\s*([0-9?]{1,4})", re.ASCII)


@dataclass(frozen=True)
class DomeCode:
    """A dome code as read; `?` stands for one digit that nobody can read.

    Attributes:
        line: digits of the line number, without leading zeros.
        number: digits of the bodymaker's number, without leading zeros.
    """

    line: str
    number: str

    @property
    def is_complete(self) -> bool:
        """Whether every digit could be read."""
        return "?" not in self.line + self.number

    def fits(self, other: "DomeCode") -> bool:
        """Whether this reading, with its unreadable digits, can be the complete code `other`."""
        return _fits(self.line, other.line) and _fits(self.number, other.number)

    def __str__(self) -> str:
        return f"{self.line}-{self.number}"


def _fits(read: str, whole: str) -> bool:
    return len(read) == len(whole) and all(
        sign in ("?", digit) for sign, digit in zip(read, whole, strict=True)
    )


def parse_dome_code(text: str) -> DomeCode:
    """Read a dome code: ``3-7``, ``03/07``, ``3.7``, ``3 7``, ``3-1?``, ``?-?``.

    Raises:
        ValueError: not two numbers, with what would be right.
    """
    found = _SEPARATED.fullmatch(text.strip())
    if found is None:
        raise ValueError(
            _(
                "'%(text)s' is not a dome code; write line and bodymaker such as 3-7,"
                " with ? for a digit nobody can read",
                text=text[:40],
            )
        )
    line, number = (_without_leading_zeros(part) for part in found.groups())
    for part in (line, number):
        if part == "0" or len(part) > 3:
            raise ValueError(
                _(
                    "'%(text)s' is not a dome code; both numbers are from 1 to 999",
                    text=text[:40],
                )
            )
    return DomeCode(line, number)


def _without_leading_zeros(digits: str) -> str:
    return digits.lstrip("0") or "0"


def dome_code_of(line: int, number: int) -> DomeCode:
    """The code that a machine's cans bear by default."""
    return DomeCode(str(line), str(number))
