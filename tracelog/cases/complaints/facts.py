"""What is said of a complaint."""

import json
from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import (
    BeforeValidator,
    Field,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from tracelog.defects.facts import ReadCode
from tracelog.facts import (
    Count,
    Fact,
    Instant,
    Name,
    Note,
    Positive,
    RowId,
    WrongField,
    fill_in_id,
    not_before,
    one_of,
    write_value,
)
from tracelog.language import _


class Certainty(StrEnum):
    """How sure whoever read the code was; `part`: only a part of it could be read."""

    SURE = "sure"
    UNSURE = "unsure"
    PART = "part"


class StepKind(StrEnum):
    """What happened to a complaint.

    `held` and `case` link a hold and a case, `photo` a picture; `told`: the quality authority was
    told of a leak or contact risk; `promised`: who answers next, and by when.
    """

    CORRECTED = "corrected"
    HELD = "held"
    CASE = "case"
    PHOTO = "photo"
    TOLD = "told"
    PROMISED = "promised"
    NOTE = "note"
    ANSWERED = "answered"
    CLOSED = "closed"
    REOPENED = "reopened"


# What tells something of the can; one of these is needed.
TELLING = ("code", "pallet", "coil", "time_code", "made_from", "defect", "photo", "note")


class ComplaintFact(Fact):
    """What arrived: the can's marks as they were read, and what is wrong with it.

    `customer_reference` is the customer's own number; names of persons or customers do not belong
    here. `cans` bad ones were seen out of `cans_run`.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    received_at: Instant
    customer_reference: Name | None = None
    code: ReadCode | None = None
    certainty: Annotated[Certainty, one_of(Certainty)] | None = None
    pallet: Name | None = None
    coil: Name | None = None
    time_code: Name | None = None
    made_from: Instant | None = None
    made_to: Instant | None = None
    defect: Name | None = None
    cans: Positive | None = None
    cans_run: Positive | None = None
    photo: RowId | None = None
    note: Note | None = None

    @field_validator("made_to")
    @classmethod
    def _ends_after_it_begins(cls, value: Any, info: ValidationInfo) -> Any:
        not_before(value, info.data.get("made_from"), _("is before made_from; it ends after it"))
        return value

    @field_validator("cans_run")
    @classmethod
    def _bad_ones_are_among_those_run(cls, value: Any, info: ValidationInfo) -> Any:
        cans = info.data.get("cans")
        if value is not None and cans is not None and cans > value:
            raise ValueError(
                _("%(run)d cans run are fewer than the %(bad)d bad ones", run=value, bad=cans)
            )
        return value

    @model_validator(mode="after")
    def _tells_something(self) -> Self:
        if all(getattr(self, name) is None for name in TELLING):
            raise WrongField(
                "code",
                _("is missing; give at least a code, a pallet, a coil, a time code or a note"),
            )
        if self.certainty is not None and self.code is None:
            raise WrongField("certainty", _("says how sure a code is; write the code too"))
        return self


# What a correction may change.
CORRECTABLE = tuple(name for name in ComplaintFact.model_fields if name not in ("id", "photo"))


def values_of(fact: ComplaintFact) -> dict[str, str]:
    """A complaint's fields as text of the file format; blank: not known."""
    return {name: write_value(getattr(fact, name)) for name in CORRECTABLE}


def _changes(value: Any) -> str:
    try:
        sent = json.loads(value) if isinstance(value, str) else value
    except ValueError:
        sent = None
    if not isinstance(sent, Mapping) or not sent:
        raise ValueError(_("is not an object of fields and their new values"))
    for name, new in sent.items():
        if name not in CORRECTABLE:
            raise ValueError(
                _(
                    "'%(field)s' cannot be corrected; known are %(known)s",
                    field=str(name)[:60],
                    known=", ".join(CORRECTABLE),
                )
            )
        if not (new is None or isinstance(new, str | int | float)) or isinstance(new, bool):
            raise ValueError(_("%(field)s has a value that is no text and no number", field=name))
    written = {name: "" if new is None else str(new) for name, new in sorted(sent.items())}
    return json.dumps(written, ensure_ascii=False)


Changes = Annotated[
    str,
    BeforeValidator(_changes),
    WithJsonSchema({"type": "object", "description": "fields and their new values; null: unknown"}),
]
# For each step the fields that it needs beside its instant.
NEEDED: dict[StepKind, tuple[str, ...]] = {
    StepKind.CORRECTED: ("text", "changes"),
    StepKind.HELD: ("hold",),
    StepKind.CASE: ("case",),
    StepKind.PHOTO: ("photo",),
}
_OWN = ("changes", "hold", "case", "photo")


class ComplaintStepFact(Fact):
    """What was done about a complaint, and when; `hold` is the hold's number.

    Of `promised`, `at` is when the next answer is due.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    complaint: RowId
    step: Annotated[StepKind, one_of(StepKind)]
    at: Instant
    text: Note | None = None
    changes: Changes | None = None
    hold: Count | None = None
    case: RowId | None = None
    photo: RowId | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        needed = NEEDED.get(self.step, ("text",))
        for name in needed:
            if getattr(self, name) is None:
                raise WrongField(name, _("is missing; a value is needed"))
        for name in _OWN:
            if getattr(self, name) is not None and name not in needed:
                sentence = _("does not belong to a step '%(step)s'; leave it out", step=self.step)
                raise WrongField(name, sentence)
        fill_in_id(self, "complaint step")
        return self
