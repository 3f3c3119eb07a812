"""What is said of a case."""

from enum import StrEnum
from typing import Annotated, ClassVar, Self

from pydantic import BeforeValidator, WithJsonSchema, model_validator

from tracelog.facts import (
    Fact,
    Instant,
    Name,
    Note,
    Positive,
    RowId,
    WrongField,
    one_of,
    whole_number,
)
from tracelog.language import _


class StepKind(StrEnum):
    """What a step of a case is.

    `checked` and `found` tell of looking, `action` and `changed` of something done at the machine,
    from which on before is compared with after; `changed` is also kept as a change of the plant.
    `confirmed` names the cause that a check confirmed. `held` ends the case because the numbers say
    that the fix held, `judged` because somebody says so, `dropped` without either.
    """

    CHECKED = "checked"
    FOUND = "found"
    CHANGED = "changed"
    ACTION = "action"
    NOTE = "note"
    CONFIRMED = "confirmed"
    HELD = "held"
    JUDGED = "judged"
    DROPPED = "dropped"
    REOPENED = "reopened"


# Something was done at the machine: from here on it is "after".
ACTED = frozenset({StepKind.ACTION, StepKind.CHANGED})


# Ten weeks; whatever stands longer is no repair.
MOST_MINUTES = 100_000
Minutes = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 0, MOST_MINUTES)),
    WithJsonSchema({"type": "integer", "minimum": 0, "maximum": MOST_MINUTES}),
]


class CaseFact(Fact):
    """A defect on a machine (such as 3-7) or a line (such as 3) that is looked into.

    `entry` and `complaint` (its number) are what it is opened from and are linked to it; with
    `signal_kind` and `signal_raised_at` the machine's signal of this defect is attached to it.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    title: Name
    defect: Name
    place: Name
    since_at: Instant
    entry: RowId | None = None
    complaint: Positive | None = None
    signal_kind: Name | None = None
    signal_raised_at: Instant | None = None

    @model_validator(mode="after")
    def _whole_signal(self) -> Self:
        if (self.signal_kind is None) != (self.signal_raised_at is None):
            blank = "signal_kind" if self.signal_kind is None else "signal_raised_at"
            raise WrongField(blank, _("is missing; a signal is named by its kind and its instant"))
        return self


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
    """What was checked, found, changed or noted, a confirmed cause, or the end of a case.

    `minutes_down`: how long the machine stood for it. `change`, for `changed` alone, is the kind of
    change, such as `ring`; `machine` is where, if that is not the case's own place.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    case: RowId
    kind: Annotated[StepKind, one_of(StepKind)]
    at: Instant
    text: Note
    minutes_down: Minutes | None = None
    change: Name | None = None
    machine: Name | None = None

    @model_validator(mode="after")
    def _only_changes_change(self) -> Self:
        if self.kind is StepKind.CHANGED:
            if self.change is None:
                raise WrongField("change", _("is missing; say what kind of change it was"))
            return self
        for name in ("change", "machine"):
            if getattr(self, name) is not None:
                sentence = _("belongs to a step 'changed' only; leave it out")
                raise WrongField(name, sentence)
        return self
