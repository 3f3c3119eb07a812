"""The facts of the log: what kinds of defect there are, and what was found."""

import json
from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self
from zoneinfo import ZoneInfo

from pydantic import (
    BeforeValidator,
    Field,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from tracelog.errors import BadFact
from tracelog.facts import (
    Count,
    Fact,
    Instant,
    Name,
    Note,
    Positive,
    RowId,
    WrongField,
    YesNo,
    decimal_number,
    fill_in_id,
    one_of,
    plain_text,
    write_value,
)
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, parse_dome_code


class Severity(StrEnum):
    """What a defect can do, the worst first."""

    LEAK = "leak"
    CONTACT = "contact"
    STRENGTH = "strength"
    RUN = "run"
    LOOK = "look"
    LABEL = "label"


class DefectTypeFact(Fact):
    """One kind of defect (defect_types.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("defect",)
    defect: Name
    name: Name | None = None
    stage: Name | None = None
    severity: Annotated[Severity, one_of(Severity)] | None = None
    arises_at: Name | None = None
    traces_to: Note | None = None
    notes: Note | None = None


def _code(value: Any) -> DomeCode:
    return value if isinstance(value, DomeCode) else parse_dome_code(str(value))


# A tablet that lost its clock may stand at 1970.
_MOST_CLOCK_ERROR_S = 4_000_000_000


def _clock_error(value: Any) -> float:
    return round(decimal_number(value, -_MOST_CLOCK_ERROR_S, _MOST_CLOCK_ERROR_S), 3)


ClockError = Annotated[
    float,
    BeforeValidator(_clock_error),
    WithJsonSchema(
        {
            "type": "number",
            "minimum": -_MOST_CLOCK_ERROR_S,
            "maximum": _MOST_CLOCK_ERROR_S,
            "description": "seconds; above zero: the tablet's clock was ahead",
        }
    ),
]
ReadCode = Annotated[
    DomeCode,
    BeforeValidator(_code),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^[0-9?]{1,3}[-/. ][0-9?]{1,3}$",
            "description": "line and bodymaker, such as 3-7; ? for a digit nobody can read",
        }
    ),
]


class EntryFact(Fact):
    """One logged finding (defects.csv).

    `inspected` blank: found in running production, the exposure is the machine's strokes;
    given: a sample of that many cans was looked at and `cans` of them were bad. `occurrences`
    blank: as many as cans. `tablet_clock_error_s` is how many seconds the clock of the tablet was
    ahead (below zero: behind) when the entry was logged on it; the instants are corrected for it.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    unusual_fields: ClassVar[tuple[str, ...]] = ("tablet_clock_error_s",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    seen_at: Instant
    dome_code: ReadCode | None = None
    defect: Name
    inspected: Positive | None = None
    cans: Count = Field(default=1)
    occurrences: Count | None = None
    found_at: Name | None = None
    made_at: Instant | None = None
    coil: Name | None = None
    pallet: Name | None = None
    mark: Name | None = None
    note: Note | None = None
    logged_by: Name | None = None
    logged_at: Instant = Field(default=None, validate_default=False)  # type: ignore[assignment]
    tablet_clock_error_s: ClockError | None = None

    @field_validator("cans")
    @classmethod
    def _cans_fit_sample(cls, value: int, info: ValidationInfo) -> int:
        inspected = info.data.get("inspected")
        if "inspected" not in info.data:
            return value
        if inspected is None and value == 0:
            raise ValueError(
                _("is 0; a finding in running production has at least 1 can, or give inspected")
            )
        if inspected is not None and value > inspected:
            raise ValueError(
                _(
                    "%(cans)d bad cans are more than the %(inspected)d inspected",
                    cans=value,
                    inspected=inspected,
                )
            )
        return value

    @field_validator("occurrences")
    @classmethod
    def _occurrences_fit_cans(cls, value: int | None, info: ValidationInfo) -> int | None:
        cans = info.data.get("cans")
        if value is not None and cans is not None:
            if value > cans:
                raise ValueError(
                    _(
                        "%(value)d separate happenings are more than the %(cans)d cans",
                        value=value,
                        cans=cans,
                    )
                )
            if value == 0 and cans > 0:
                raise ValueError(_("is 0, but there are bad cans; at least one thing happened"))
        return value

    @field_validator("made_at")
    @classmethod
    def _made_before_seen(cls, value: Any, info: ValidationInfo) -> Any:
        seen_at = info.data.get("seen_at")
        if value is not None and seen_at is not None and value > seen_at:
            raise ValueError(_("is after seen_at; a can is made before it is seen"))
        return value

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.inspected is not None and "cans" not in self.model_fields_set:
            raise WrongField(
                "cans", _("is missing; write how many of the inspected cans were bad, 0 if none")
            )
        if "logged_at" not in self.model_fields_set:
            object.__setattr__(self, "logged_at", self.seen_at)
        fill_in_id(self, "entry")
        return self

    @classmethod
    def columns(cls) -> tuple[str, ...]:
        """Column names in the order of the file."""
        return (
            *("id", "seen_at", "dome_code", "defect", "cans", "occurrences", "inspected"),
            *("found_at", "made_at", "coil", "pallet", "mark", "note", "logged_by", "logged_at"),
        )


# What a correction may change: what was seen, not who logged it when.
CORRECTABLE = (
    *("seen_at", "dome_code", "defect", "cans", "occurrences", "inspected"),
    *("found_at", "made_at", "coil", "pallet", "mark", "note"),
)
# Fields that are checked against each other are corrected together, so that every correction is
# right by itself and corrections may arrive in any order.
TOGETHER = (("cans", "occurrences", "inspected"), ("seen_at", "made_at"))
# Values of an entry that is right, in place of those that a correction leaves as they are.
STAND_IN = {"seen_at": "2000-01-01T00:00:00Z", "defect": "any", "cans": "1"}


def with_companions(names: Iterable[str]) -> tuple[str, ...]:
    """The fields named, and those that are corrected together with them, in order of the file."""
    wanted = set(names)
    for group in TOGETHER:
        if wanted.intersection(group):
            wanted.update(group)
    return tuple(name for name in CORRECTABLE if name in wanted)


def _correctable(values: Any) -> dict[str, Any]:
    """A mapping of fields that a correction may change.

    Raises:
        ValueError: not a mapping, or with a field that cannot be corrected.
    """
    if not isinstance(values, Mapping):
        raise ValueError(_('is not an object of fields and new values, such as {"cans": 2}'))
    for name in values:
        if name not in CORRECTABLE:
            raise ValueError(
                _(
                    "'%(name)s' cannot be corrected; fields that can are %(known)s",
                    name=str(name)[:40],
                    known=", ".join(CORRECTABLE),
                )
            )
    return dict(values)


class CorrectionFact(Fact):
    """A correction or withdrawal of an entry: the new values, and why.

    Only the fields that are named in `values` change (blank: not known after all). `withdrawn`
    blank leaves that as it is; a withdrawn entry counts nowhere but stays on record.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    entry: RowId
    reason: Note
    withdrawn: YesNo | None = None
    values: Annotated[dict[str, Any], BeforeValidator(_correctable)] = Field(default_factory=dict)


def read_changes(changes: Any, zone: ZoneInfo) -> dict[str, Any]:
    """The new values of a correction, checked by themselves.

    Args:
        changes: JSON text of an object, or the object; field names of an entry to text.
        zone: the plant's zone, for instants without an offset.

    Returns:
        Field name to value as `EntryFact` holds it, in order of the file.

    Raises:
        ValueError: one sentence that names the field.
    """
    if isinstance(changes, str):
        try:
            changes = json.loads(changes)
        except ValueError:
            changes = None
    named = _correctable(changes)
    missing = [name for name in with_companions(named) if name not in named]
    if missing:
        raise ValueError(
            _(
                "leaves out %(missing)s; %(group)s are corrected together, so name all of them,"
                " blank where not known",
                missing=", ".join(missing),
                group=", ".join(next(group for group in TOGETHER if missing[0] in group)),
            )
        )
    try:
        read = EntryFact.read(STAND_IN | named, zone)
    except BadFact as problem:
        raise ValueError(str(problem)) from None
    return {name: getattr(read, name) for name in CORRECTABLE if name in named}


def write_changes(values: Mapping[str, Any]) -> str:
    """The canonical JSON text of a correction's new values, as text of the file format."""
    written = {name: write_value(values[name]) for name in sorted(values)}
    return json.dumps(written, ensure_ascii=False)


def _canonical_changes(changes: Any, info: ValidationInfo) -> str:
    zone = (info.context or {}).get("zone", ZoneInfo("UTC"))
    return write_changes(read_changes(changes, zone))


class CorrectionRowFact(Fact):
    """A correction that was made before (defect_corrections.csv).

    `changes` is a JSON object of the fields that change and their new values, as text of the file
    format; `withdrawn` says whether the entry counts nowhere from this correction on.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    entry: RowId
    corrected_at: Instant
    corrected_by: Annotated[str, BeforeValidator(lambda value: plain_text(value, 120))]
    reason: Note
    withdrawn: YesNo = False
    changes: Annotated[str, BeforeValidator(_canonical_changes)] = "{}"

    @model_validator(mode="after")
    def _complete(self) -> Self:
        fill_in_id(self, "correction")
        return self
