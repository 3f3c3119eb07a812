"""What belongs to a case, and that it no longer does."""

from typing import ClassVar, Self

from pydantic import model_validator

from tracelog.facts import Fact, Name, Note, Positive, RowId, WrongField
from tracelog.language import _

# What a case can be linked to, in the order in which pages offer it.
TARGETS = (
    *("machine", "tool", "coil", "pallet", "hold", "defect", "entry", "complaint"),
    *("photo", "sequence_check"),
)


class LinkFact(Fact):
    """That one thing belongs to a case; exactly one of the things is given.

    `machine` such as 3-7, `tool` a serial, `hold` and `complaint` their numbers; `entry`, `photo`
    and `sequence_check` by id.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    case: RowId
    machine: Name | None = None
    tool: Name | None = None
    coil: Name | None = None
    pallet: Name | None = None
    hold: Positive | None = None
    defect: Name | None = None
    entry: RowId | None = None
    complaint: Positive | None = None
    photo: RowId | None = None
    sequence_check: RowId | None = None
    note: Note | None = None

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        given = [name for name in TARGETS if getattr(self, name) is not None]
        if not given:
            raise WrongField(
                "machine",
                _("is missing; name one thing: %(targets)s", targets=", ".join(TARGETS)),
            )
        if len(given) > 1:
            raise WrongField(given[1], _("is one too many; a link names one thing"))
        return self

    @property
    def target(self) -> str:
        """Which of the things it names."""
        return next(name for name in TARGETS if getattr(self, name) is not None)


class UnlinkFact(Fact):
    """That something does not belong to a case after all, and why."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId
    case: RowId
    reason: Note
