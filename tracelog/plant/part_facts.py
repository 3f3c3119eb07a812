"""How many mandrels, segments, pockets or fingers a station has."""

from typing import Annotated, ClassVar

from pydantic import BeforeValidator, WithJsonSchema

from tracelog.facts import Fact, Name, Number, whole_number

MOST_PARTS = 240
PartCount = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 0, MOST_PARTS)),
    WithJsonSchema({"type": "integer", "minimum": 0, "maximum": MOST_PARTS}),
]


def _word(value: object) -> object:
    """Stations and parts are words, so that case and spaces at the ends tell nothing apart."""
    return " ".join(value.lower().split()) if isinstance(value, str) else value


Word = Annotated[Name, BeforeValidator(_word)]


class StationPartFact(Fact):
    """How many parts of one kind a station of a line has (station_parts.csv); 0: none."""

    key_fields: ClassVar[tuple[str, ...]] = ("line", "station", "part")
    line: Number
    station: Word
    part: Word
    count: PartCount
