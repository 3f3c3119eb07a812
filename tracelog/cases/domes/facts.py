"""The codes of a handful of bad cans, and what is known of when they were made."""

import re
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, WithJsonSchema, model_validator

from tracelog.facts import Fact, Instant, WrongField, whole_number
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, parse_dome_code
from tracelog.plant.part_facts import Word
from tracelog.stats.dome_numbers import MOST_CANS

_BETWEEN = re.compile(r"[\s,;]+")
_TIMES = re.compile(r"(.+?)[x×*]([0-9]{1,3})", re.ASCII)


def read_codes(value: Any) -> tuple[DomeCode, ...]:
    """The codes of cans, one for each: ``3-7 3-7 3-2``, or ``3-7x2 3-2``.

    Raises:
        ValueError: with what would be right.
    """
    if isinstance(value, str):
        words = [word for word in _BETWEEN.split(value.strip()) if word]
    elif isinstance(value, list | tuple) and all(isinstance(one, str) for one in value):
        words = list(value)
    else:
        raise ValueError(_("is not a list of codes; write one for each can, such as 3-7 3-7 3-2"))
    found: list[DomeCode] = []
    for word in words:
        times = _TIMES.fullmatch(word)
        code = parse_dome_code(times[1] if times else word)
        found += [code] * (whole_number(times[2], 1, MOST_CANS) if times else 1)
        if len(found) > MOST_CANS:
            raise ValueError(
                _("names more than %(most)d cans, which is no handful", most=MOST_CANS)
            )
    if not found:
        raise ValueError(_("is missing; a value is needed"))
    return tuple(found)


def write_codes(codes: tuple[DomeCode, ...] | list[DomeCode]) -> str:
    """Codes as `read_codes` takes them back."""
    return " ".join(str(one) for one in codes)


Codes = Annotated[
    tuple[DomeCode, ...],
    BeforeValidator(read_codes),
    WithJsonSchema({"type": "string", "description": "one code for each can"}),
]


class DomesFact(Fact):
    """What is asked: the codes of the bad cans, and when they were found or made.

    `seen_at` is when the last of them was found, `seen_from` the first, `found_at` at which
    station; or `made_from` and `made_to` say outright when they can have been made.
    """

    key_fields: ClassVar[tuple[str, ...]] = ()
    codes: Codes
    seen_from: Instant | None = None
    seen_at: Instant | None = None
    found_at: Word | None = None
    made_from: Instant | None = None
    made_to: Instant | None = None

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        if (self.made_from is None) != (self.made_to is None):
            missing = "made_to" if self.made_to is None else "made_from"
            raise WrongField(missing, _("is missing; give both ends of the time of making"))
        if self.made_from is not None:
            for name in ("seen_from", "seen_at", "found_at"):
                if getattr(self, name) is not None:
                    raise WrongField(name, _("is given beside the time of making; give one"))
        for first, last in (("made_from", "made_to"), ("seen_from", "seen_at")):
            start, end = getattr(self, first), getattr(self, last)
            if start is not None and end is not None and end <= start:
                raise WrongField(last, _("is not after %(first)s", first=first))
        return self
