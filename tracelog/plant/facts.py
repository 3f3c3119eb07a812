"""The facts of the plant: what stands in it, what is fitted, what runs, what was changed."""

from datetime import time
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, ValidationInfo, field_validator

from tracelog.facts import (
    Count,
    Day,
    Fact,
    Instant,
    Name,
    Note,
    Number,
    Positive,
    PositiveMeasure,
    not_before,
    one_of,
)
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, parse_dome_code


class RemovalReason(StrEnum):
    """Why a tool was taken out."""

    PLANNED = "planned"
    WORN = "worn"
    BROKEN = "broken"
    DEFECT = "defect"
    MOVED = "moved"
    UNKNOWN = "unknown"


class PalletStatus(StrEnum):
    """Whether a pallet may go."""

    RELEASED = "released"
    HELD = "held"


def complete_dome_code(value: Any) -> DomeCode:
    """A dome code without unreadable digits.

    Raises:
        ValueError: not a dome code, or one with `?`.
    """
    code = value if isinstance(value, DomeCode) else parse_dome_code(str(value))
    if not code.is_complete:
        raise ValueError(_("'%(code)s' has an unread digit; write the whole code", code=code))
    return code


def _end_follows(value: Any, info: ValidationInfo, start: str) -> Any:
    not_before(
        value,
        info.data.get(start),
        _("is before %(start)s; an end cannot precede its start", start=start),
    )
    return value


class LineFact(Fact):
    """One production line (lines.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("line",)
    line: Number
    name: Name | None = None


class MachineFact(Fact):
    """One machine of a line (machines.csv).

    `counter_max` is the last figure before the counter rolls over to 0; `rated_spm` its rated
    strokes per minute.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "station", "number")
    line: Number
    station: Name
    number: Number
    name: Name | None = None
    counter_max: Positive | None = None
    rated_spm: PositiveMeasure | None = None


class DomeCodeFact(Fact):
    """A machine whose cans bear another number than its own (dome_codes.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("code", "valid_from")
    code: Annotated[DomeCode, BeforeValidator(complete_dome_code)]
    line: Number
    bodymaker: Number
    valid_from: Instant
    valid_to: Instant | None = None

    @field_validator("valid_to")
    @classmethod
    def _ends(cls, value: Any, info: ValidationInfo) -> Any:
        return _end_follows(value, info, "valid_from")


class ToolFact(Fact):
    """One serialised tool (tools.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("serial",)
    serial: Name
    tool_type: Name | None = None
    life_strokes: Positive | None = None
    note: Note | None = None


class ToolFitFact(Fact):
    """A tool in a position of a machine from one instant to another (tool_fits.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("serial", "fitted_at")
    serial: Name
    line: Number
    bodymaker: Number
    position: Name
    fitted_at: Instant
    removed_at: Instant | None = None
    removal_reason: Annotated[RemovalReason, one_of(RemovalReason)] | None = None

    @field_validator("removed_at")
    @classmethod
    def _ends(cls, value: Any, info: ValidationInfo) -> Any:
        return _end_follows(value, info, "fitted_at")

    @field_validator("removal_reason")
    @classmethod
    def _reason_needs_removal(cls, value: Any, info: ValidationInfo) -> Any:
        if value is not None and "removed_at" in info.data and info.data["removed_at"] is None:
            raise ValueError(_("is given, but removed_at is blank; give both or neither"))
        return value


class CoilFact(Fact):
    """One coil of body stock (coils.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("coil",)
    coil: Name
    alloy: Name | None = None
    gauge_mm: PositiveMeasure | None = None
    note: Note | None = None


class CoilRunFact(Fact):
    """A coil on a line from one instant to another (coil_runs.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("coil", "line", "started_at")
    coil: Name
    line: Number
    started_at: Instant
    ended_at: Instant | None = None

    @field_validator("ended_at")
    @classmethod
    def _ends(cls, value: Any, info: ValidationInfo) -> Any:
        return _end_follows(value, info, "started_at")


class PalletFact(Fact):
    """One pallet, filled from one instant to another (pallets.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("pallet",)
    pallet: Name
    line: Number
    started_at: Instant
    ended_at: Instant | None = None
    cans: Count | None = None
    status: Annotated[PalletStatus, one_of(PalletStatus)] | None = None

    @field_validator("ended_at")
    @classmethod
    def _ends(cls, value: Any, info: ValidationInfo) -> Any:
        return _end_follows(value, info, "started_at")


class ChangeFact(Fact):
    """Anything else that was deliberately altered (changes.csv); blank bodymaker: the line."""

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "at", "kind")
    line: Number
    bodymaker: Number | None = None
    at: Instant
    kind: Name
    note: Note | None = None


def _clock(value: Any) -> time:
    if isinstance(value, str):
        try:
            value = time.fromisoformat(value.strip())
        except ValueError:
            value = None
    if not isinstance(value, time) or value.tzinfo is not None:
        raise ValueError(_("is not a time of day; write it such as 06:00"))
    return value.replace(microsecond=0)


class ShiftFact(Fact):
    """One shift of the day: its name and when it starts on the plant's clock."""

    name: Name
    starts: Annotated[time, BeforeValidator(_clock)]


class RotaFact(Fact):
    """Which crew works which shift: one table per day of the cycle, then it repeats."""

    starts_on: Day
    cycle: tuple[dict[Name, Name], ...]

    @field_validator("cycle", mode="before")
    @classmethod
    def _days(cls, value: Any) -> Any:
        if not isinstance(value, list | tuple) or not 1 <= len(value) <= 366:
            raise ValueError(_("is not a list of 1 to 366 tables, one per day of the cycle"))
        if not all(isinstance(day, dict) and day for day in value):
            raise ValueError(_('has a day that is not a table such as { day = "A", night = "C" }'))
        if not all(str(word).strip() for day in value for words in day.items() for word in words):
            raise ValueError(_("has a blank; name each shift and the crew that works it"))
        if len({frozenset(day) for day in value}) != 1:
            raise ValueError(_("names different shifts on different days; name the same on each"))
        return tuple(value)


class TransitFact(Fact):
    """Shortest and longest way of a can from bodymaker to palletiser, minutes."""

    minutes: tuple[Count, Count]

    @field_validator("minutes", mode="before")
    @classmethod
    def _two(cls, value: Any) -> Any:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise ValueError(_("is not [shortest, longest] in minutes, such as [20, 95]"))
        return tuple(value)

    @field_validator("minutes")
    @classmethod
    def _in_order(cls, value: tuple[int, int]) -> tuple[int, int]:
        if value[1] < value[0]:
            raise ValueError(_("has the longest before the shortest; write [shortest, longest]"))
        return value


class PlantFact(Fact):
    """The plant itself (plant.toml)."""

    key_fields: ClassVar[tuple[str, ...]] = ("name",)
    name: Name
    time_zone: Name
    transit: TransitFact | None = None
    shift: tuple[ShiftFact, ...] = ()
    rota: RotaFact | None = None

    @field_validator("time_zone")
    @classmethod
    def _is_zone(cls, value: str) -> str:
        from tracelog.instants import zone_named

        zone_named(value)
        return value

    @field_validator("shift")
    @classmethod
    def _start_apart(cls, value: tuple[ShiftFact, ...]) -> tuple[ShiftFact, ...]:
        if len({shift.starts for shift in value}) != len(value):
            raise ValueError(_("has two shifts that start at the same time; give each its own"))
        return value

    @field_validator("rota")
    @classmethod
    def _covers_shifts(cls, value: RotaFact | None, info: ValidationInfo) -> RotaFact | None:
        if "shift" not in info.data:
            # They are wrong themselves, and told so.
            return value
        shifts = info.data["shift"]
        if value is not None and len(value.cycle[0]) != len(shifts):
            raise ValueError(
                _(
                    "names %(named)d crews a day, but there are %(shifts)d shifts;"
                    " name one crew for each shift",
                    named=len(value.cycle[0]),
                    shifts=len(shifts),
                )
            )
        return value
