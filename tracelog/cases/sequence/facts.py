"""A row of cans taken in order, and which of them were bad."""

import re
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, WithJsonSchema, model_validator

from tracelog.facts import Fact, Instant, Name, Note, Number, RowId, WrongField, whole_number
from tracelog.language import _
from tracelog.plant.part_facts import Word
from tracelog.stats.repeats import LEAST_CANS, MOST_CANS

GOOD, BAD, UNSEEN = "g", "b", "?"
LETTERS = GOOD + BAD + UNSEEN
_BETWEEN = re.compile(r"[\s,;]+")


def _cans(value: Any) -> str:
    text = _BETWEEN.sub("", value).lower() if isinstance(value, str) else ""
    if not text or set(text) - set(LETTERS):
        raise ValueError(
            _("is not a row of cans; write a letter for each: g good, b bad, ? not looked at")
        )
    if not LEAST_CANS <= len(text) <= MOST_CANS:
        raise ValueError(
            _(
                "holds %(cans)d cans; from %(least)d to %(most)d are weighed",
                cans=len(text),
                least=LEAST_CANS,
                most=MOST_CANS,
            )
        )
    return text


def _positions(value: Any) -> tuple[int, ...]:
    words = _BETWEEN.split(value.strip()) if isinstance(value, str) else value
    if not isinstance(words, list | tuple):
        raise ValueError(_("is not a list of positions; write such as 4 16 28"))
    found = [whole_number(word, 1, MOST_CANS) for word in words]
    if len(set(found)) != len(found):
        raise ValueError(_("names a position twice; name each once"))
    return tuple(sorted(found))


def _taken(value: Any) -> int:
    return whole_number(value, LEAST_CANS, MOST_CANS)


Cans = Annotated[
    str,
    BeforeValidator(_cans),
    WithJsonSchema({"type": "string", "description": "a letter for each can: g, b or ?"}),
]
Positions = Annotated[
    tuple[int, ...],
    BeforeValidator(_positions),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "array", "items": {"type": "integer", "minimum": 1}},
                {"type": "string"},
            ],
            "description": "positions in the row, counted from 1",
        }
    ),
]
Taken = Annotated[
    int,
    BeforeValidator(_taken),
    WithJsonSchema({"type": "integer", "minimum": LEAST_CANS, "maximum": MOST_CANS}),
]


class RowFact(Fact):
    """What is asked about a row: where it was taken, and its cans.

    The cans are given as letters (`cans`), or as how many were taken with the positions of the
    bad ones and of those nobody looked at; afterwards they stand in `cans` either way.
    """

    line: Number
    taken_after: Word
    cans: Cans | None = None
    taken: Taken | None = None
    bad: Positions | None = None
    unseen: Positions | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.cans is not None:
            for name in ("taken", "bad", "unseen"):
                if getattr(self, name) is not None:
                    raise WrongField(name, _("is given beside the letters of the cans; give one"))
            return self
        if self.taken is None:
            raise WrongField(
                "cans", _("is missing; tap the cans, or say how many were taken and which were bad")
            )
        letters = [GOOD] * self.taken
        for name, letter in (("bad", BAD), ("unseen", UNSEEN)):
            for place in getattr(self, name) or ():
                if place > self.taken:
                    sentence = _("names can %(can)d of only %(taken)d", can=place, taken=self.taken)
                    raise WrongField(name, sentence)
                if letters[place - 1] != GOOD:
                    raise WrongField(name, _("names can %(can)d, which is bad", can=place))
                letters[place - 1] = letter
        for name, value in (
            ("cans", "".join(letters)),
            *((one, None) for one in ("taken", "bad", "unseen")),
        ):
            object.__setattr__(self, name, value)
        return self

    @property
    def row(self) -> str:
        """The letters of the cans."""
        return self.cans or ""


class SequenceCheckFact(RowFact):
    """A check as it is kept: with the defect that was looked for, and when the row was taken."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    defect: Name
    taken_at: Instant
    note: Note | None = None
