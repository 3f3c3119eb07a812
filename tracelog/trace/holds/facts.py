"""What is said of stock on hold."""

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

from tracelog.facts import (
    Count,
    Fact,
    Instant,
    Name,
    Note,
    Number,
    Positive,
    RowId,
    WrongField,
    decimal_number,
    fill_in_id,
    not_before,
    one_of,
    plain_text,
)
from tracelog.language import _

# A hold that takes more pallets than this is none that anybody could walk along.
MOST_PALLETS = 5000
_SEPARATORS = str.maketrans(dict.fromkeys(",;\t\r", "\n"))


class StepKind(StrEnum):
    """What happened to a hold or to one pallet in it.

    Of a pallet: `held`, `found`, `missing`; `inspected` by a way that can see the defect, or
    `looked-over` by one that cannot; then what was decided: `released`, `conceded` (released by
    written concession) or `scrapped`. Of the whole hold: `note`, `widened`, `narrowed`, `closed`.
    """

    HELD = "held"
    FOUND = "found"
    MISSING = "missing"
    INSPECTED = "inspected"
    LOOKED_OVER = "looked-over"
    RELEASED = "released"
    CONCEDED = "conceded"
    SCRAPPED = "scrapped"
    NOTE = "note"
    WIDENED = "widened"
    NARROWED = "narrowed"
    CLOSED = "closed"


DECISIONS = frozenset({StepKind.RELEASED, StepKind.CONCEDED, StepKind.SCRAPPED})
INSPECTIONS = frozenset({StepKind.INSPECTED, StepKind.LOOKED_OVER})
WINDOW_STEPS = frozenset({StepKind.WIDENED, StepKind.NARROWED})
# What only who may release stock writes.
FOR_QUALITY = DECISIONS | {StepKind.NARROWED, StepKind.CLOSED}
_INSPECTION = (("pallet", "inspected", "defective", "reason"), ())
_DECISION = (("pallet", "reason"), ())
_WINDOW = (("reason",), ("made_from", "made_to"))
# For each step the fields it needs, and those it may have besides.
FIELDS_OF: dict[StepKind, tuple[tuple[str, ...], tuple[str, ...]]] = {
    StepKind.HELD: (("pallet", "reason"), ("from_pallet", "expected_suspect", "chance_of_none")),
    StepKind.FOUND: (("pallet", "place"), ("reason",)),
    StepKind.MISSING: (("pallet",), ("reason",)),
    StepKind.INSPECTED: _INSPECTION,
    StepKind.LOOKED_OVER: _INSPECTION,
    StepKind.RELEASED: _DECISION,
    StepKind.CONCEDED: _DECISION,
    StepKind.SCRAPPED: _DECISION,
    StepKind.NOTE: (("reason",), ()),
    StepKind.WIDENED: _WINDOW,
    StepKind.NARROWED: _WINDOW,
    StepKind.CLOSED: (("reason",), ()),
}


def pallet_numbers(value: Any) -> tuple[str, ...]:
    """Pallet numbers as sent: an array, or text with commas, semicolons or line breaks between.

    Each is kept once, in the order in which they were sent.

    Raises:
        ValueError: not pallet numbers, or too many.
    """
    given = value.translate(_SEPARATORS).split("\n") if isinstance(value, str) else value
    if not isinstance(given, list | tuple):
        raise ValueError(_("is no list of pallet numbers; write one on each line"))
    read = dict.fromkeys(plain_text(one, 80) for one in given)
    found = tuple(one for one in read if one)
    if len(found) > MOST_PALLETS:
        raise ValueError(
            _(
                "names %(count)d pallets; at most %(most)d belong to one hold",
                count=len(found),
                most=MOST_PALLETS,
            )
        )
    return found


PalletNumbers = Annotated[
    tuple[str, ...],
    BeforeValidator(pallet_numbers),
    WithJsonSchema(
        {
            "type": "array",
            "items": {"type": "string", "minLength": 1, "maxLength": 80},
            "maxItems": MOST_PALLETS,
        }
    ),
]
Chance = Annotated[
    float,
    BeforeValidator(lambda value: decimal_number(value, 0.0, 1.0)),
    WithJsonSchema({"type": "number", "minimum": 0, "maximum": 1}),
]
CansExpected = Annotated[
    float,
    BeforeValidator(lambda value: decimal_number(value, 0.0)),
    WithJsonSchema({"type": "number", "minimum": 0, "maximum": 1e15}),
]


def _ends_after_it_begins(value: Any, info: ValidationInfo) -> Any:
    sentence = _("is before made_from; the window ends after it begins")
    not_before(value, info.data.get("made_from"), sentence)
    return value


class HoldFact(Fact):
    """Stock put on hold for one reason.

    `machine` with `made_from` and `made_to` is the suspect window. Without `pallets`, all those
    are held whose chance of holding a suspect can is above `accepted_risk` (blank: 0.01).
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    reason: Note
    defect: Name | None = None
    line: Number | None = None
    machine: Name | None = None
    made_from: Instant | None = None
    made_to: Instant | None = None
    accepted_risk: Chance | None = None
    pallets: PalletNumbers = ()
    raised_at: Instant | None = None

    _window = field_validator("made_to")(_ends_after_it_begins)


class HoldStepFact(Fact):
    """What happened to a hold or to one pallet in it, and when.

    `from_pallet`: the pallet in the hold from which cans were moved to the one that is held.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    hold: RowId
    step: Annotated[StepKind, one_of(StepKind)]
    pallet: Name | None = None
    at: Instant
    reason: Note | None = None
    place: Name | None = None
    from_pallet: Name | None = None
    expected_suspect: CansExpected | None = None
    chance_of_none: Chance | None = None
    inspected: Positive | None = None
    defective: Count | None = None
    made_from: Instant | None = None
    made_to: Instant | None = None

    @field_validator("defective")
    @classmethod
    def _defective_are_among_inspected(cls, value: Any, info: ValidationInfo) -> Any:
        inspected = info.data.get("inspected")
        if value is not None and inspected is not None and value > inspected:
            raise ValueError(
                _(
                    "%(cans)d bad cans are more than the %(inspected)d inspected",
                    cans=value,
                    inspected=inspected,
                )
            )
        return value

    _window = field_validator("made_to")(_ends_after_it_begins)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        needed, also = FIELDS_OF[self.step]
        said = self.model_fields_set - {"id", "hold", "step", "at"}
        for name in needed:
            if name not in said:
                raise WrongField(name, _("is missing; a value is needed"))
        for name in said - {*needed, *also}:
            sentence = _("does not belong to a step '%(step)s'; leave it out", step=self.step)
            raise WrongField(name, sentence)
        if self.step in WINDOW_STEPS and not said & {"made_from", "made_to"}:
            raise WrongField("made_from", _("is missing; give the new start, or the new end"))
        fill_in_id(self, "hold step")
        return self
