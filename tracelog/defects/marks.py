"""Other marks on a can than its dome code: mandrel, pocket, segment, ink dot. Pure.

Entries keep a mark as it was written; where marks are told apart, `normal_mark` is what counts.
"""

import re

from tracelog.language import _

PARTS = ("mandrel", "pocket", "segment", "finger", "gun", "lane")
DOT = "ink dot"
COLOURS = (
    *("red", "blue", "green", "yellow", "black", "white", "orange", "violet", "brown"),
    *("pink", "grey"),
)
_ALIKE = {"gray": "grey", "purple": "violet", "dots": "dot", "colour": "", "color": ""}
_BETWEEN = re.compile(r"[\s,;:#/_.-]+")
_NUMBERED = re.compile(r"([a-z]+)(\d+)", re.ASCII)
_FILLING = frozenset({"", "no", "nr", "number", "num", "n°", "the", "of"})


def normal_mark(text: str) -> str:
    """How a mark is told apart: `Mandrel #012`, `12th mandrel` and `mandrels 12` are one.

    Args:
        text: as written on an entry.

    Returns:
        A part with its number (`mandrel 12`), an ink dot with its colours (`ink dot red`), or,
        for anything else, its words in small letters with one space between them.

    Example:
        >>> normal_mark("Mandrel no. 12"), normal_mark("red dot"), normal_mark("Scratch  LEFT")
        ('mandrel 12', 'ink dot red', 'scratch left')
    """
    pieces = [piece for word in _BETWEEN.split(text.lower()) for piece in _pieces(word)]
    words = [word for word in pieces if word not in _FILLING]
    parts = [part for word in words if (part := _part(word)) is not None]
    numbers = [number for word in words if (number := _number(word)) is not None]
    if len(parts) == 1 and len(numbers) == 1 and len(words) == 2:
        return f"{parts[0]} {numbers[0]}"
    colours = sorted({word for word in words if word in COLOURS}, key=COLOURS.index)
    if colours and set(words) <= {*COLOURS, "ink", "dot"}:
        return " ".join([DOT, *colours])
    return " ".join(words) or " ".join(text.lower().split())


def part_of(mark: str) -> str | None:
    """The part that a mark counts: of `mandrel 12` the mandrel; None: it counts nothing."""
    part, _space, number = normal_mark(mark).rpartition(" ")
    return part if part in PARTS and number.isdecimal() else None


def read_mark(typed: str) -> str:
    """A mark typed as one word, such as `mandrel-12` or `ink-dot-red`.

    Raises:
        ValueError: nothing is typed.
    """
    found = normal_mark(typed)
    if not found:
        raise ValueError(_("is missing after +; type the mark, such as +mandrel-12"))
    return found


def _pieces(word: str) -> tuple[str, ...]:
    """A word as it counts; a part and its number written in one are two."""
    found = _NUMBERED.fullmatch(word)
    if found is not None and _part(found[1]) is not None:
        return found[1], found[2]
    return (_ALIKE.get(word, word),)


def _part(word: str) -> str | None:
    return next((part for part in PARTS if word in (part, f"{part}s")), None)


def _number(word: str) -> int | None:
    digits = re.sub(r"(?<=\d)(st|nd|rd|th)$", "", word)
    return int(digits) if digits.isascii() and digits.isdecimal() and len(digits) <= 4 else None
