"""What is said of a case."""

from enum import StrEnum
from typing import Annotated, ClassVar

from tracelog.facts import Fact, Instant, Name, Note, RowId, one_of


class StepKind(StrEnum):
    """What a step of a case is.

    `confirmed` names the cause that a check confirmed. `held` ends it because the numbers say that
    the fix held; `dropped` ends it without that.
    """

    NOTE = "note"
    ACTION = "action"
    CONFIRMED = "confirmed"
    HELD = "held"
    DROPPED = "dropped"
    REOPENED = "reopened"


class CaseFact(Fact):
    """A defect on a machine (such as 3-7) or a line (such as 3) that is looked into."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    title: Name
    defect: Name
    place: Name
    since_at: Instant


class SignalFact(Fact):
    """A signal that belongs to a case, named as the list of signals names it."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    case: RowId
    machine: Name
    defect: Name = ""
    kind: Name
    raised_at: Instant
    reason: Note | None = None


class StepFact(Fact):
    """A note, an action taken at an instant, a confirmed cause, or the end of a case."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    case: RowId
    kind: Annotated[StepKind, one_of(StepKind)]
    at: Instant
    text: Note
