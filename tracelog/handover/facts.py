"""What a shift hands to the next."""

from enum import StrEnum
from typing import Annotated, ClassVar

from tracelog.facts import Fact, Note, Number, RowId, one_of


class About(StrEnum):
    """What a note is about, the most pressing first."""

    SAFETY = "safety"
    DOWN = "down"
    SPEED = "speed"
    TOOLS = "tools"
    METAL = "metal"
    CHECKS = "checks"
    WATCH = "watch"


class HandoverNoteFact(Fact):
    """One thing the next shift must know; without a line it is of the whole plant."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    line: Number | None = None
    about: Annotated[About, one_of(About)]
    text: Note


class SettlementFact(Fact):
    """Why a note need not be carried over any more."""

    key_fields: ClassVar[tuple[str, ...]] = ("note",)
    note: RowId
    reason: Note
