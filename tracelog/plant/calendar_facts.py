"""The facts of the calendar: what is planned, and that it is planned no longer."""

import re
from datetime import datetime, timedelta
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
    Fact,
    Instant,
    Note,
    Number,
    RowId,
    WrongField,
    fill_in_id,
    not_before,
    one_of,
    plain_text,
)
from tracelog.instants import moment_or_day, utc_of, zone_named
from tracelog.language import _
from tracelog.plant.calendar_rules import PeriodKind

MOST_DAYS = 400
# Of an event in its file; which repetition it is and its place are put after it.
LONGEST_UID = 220
_KEPT_UID = re.compile(
    rf".{{1,{LONGEST_UID}}}(/\d{{8}}(T\d{{6}}Z)?)?(/line \d{{1,3}}|/\d{{1,3}}-\d{{1,3}}|/plant)?",
    re.DOTALL,
)
# What tells a row that came without an id from others; the rest may change.
_NATURAL = ("kind", "line", "bodymaker", "starts_at", "ends_at", "announced_at", "uid")


def _moment(value: Any, info: ValidationInfo, ends: bool) -> datetime:
    zone = (info.context or {}).get("zone") or zone_named("UTC")
    if isinstance(value, str):
        moment = moment_or_day(value.strip(), zone, ends=ends)
    elif isinstance(value, datetime):
        moment = utc_of(value, zone)
    else:
        raise ValueError(
            _(
                "'%(what)s' is neither an instant nor a day;"
                " write 2026-03-29T06:15:00Z, or 2026-03-29 for the whole day",
                what=str(value)[:40],
            )
        )
    if moment.microsecond:
        raise ValueError(_("has a fraction of a second; write whole seconds"))
    return moment


def is_kept_uid(uid: str) -> bool:
    """Whether the UID of an event, with what we put after it, is short enough to be kept."""
    return _KEPT_UID.fullmatch(uid) is not None


def _event_uid(value: Any) -> str:
    uid = plain_text(value, LONGEST_UID + 35)
    return uid if is_kept_uid(uid) else plain_text(uid, LONGEST_UID)


_SHAPE = WithJsonSchema(
    {
        "type": "string",
        "description": "an instant (ISO 8601; without an offset it is plant time),"
        " or a day of the plant's clock: its start for starts_at, its end for ends_at",
    }
)
FirstMoment = Annotated[
    datetime, BeforeValidator(lambda value, info: _moment(value, info, ends=False)), _SHAPE
]
LastMoment = Annotated[
    datetime, BeforeValidator(lambda value, info: _moment(value, info, ends=True)), _SHAPE
]
EventUid = Annotated[
    str,
    BeforeValidator(_event_uid),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": LONGEST_UID}),
]


class PlannedPeriodFact(Fact):
    """A time known beforehand (planned_periods.csv).

    `line` blank: the whole plant; `bodymaker` blank: the whole line. `ends_at` is left out.
    `announced_at` blank: always known; `withdrawn_at` blank: it stands. A row without an `id` is
    known by its kind, place, ends, `announced_at` and `uid`.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    kind: Annotated[PeriodKind, one_of(PeriodKind)]
    line: Number | None = None
    bodymaker: Number | None = None
    starts_at: FirstMoment
    ends_at: LastMoment
    reason: Note | None = None
    announced_at: Instant | None = None
    withdrawn_at: Instant | None = None
    uid: EventUid | None = None

    @field_validator("bodymaker")
    @classmethod
    def _has_a_line(cls, value: int | None, info: ValidationInfo) -> int | None:
        if value is not None and "line" in info.data and info.data["line"] is None:
            raise ValueError(_("is given without a line; give both, or neither"))
        return value

    @field_validator("ends_at")
    @classmethod
    def _has_a_length(cls, value: datetime, info: ValidationInfo) -> datetime:
        starts_at = info.data.get("starts_at")
        if starts_at is not None:
            check_length(starts_at, value)
        return value

    @field_validator("withdrawn_at")
    @classmethod
    def _after_it_was_announced(cls, value: Any, info: ValidationInfo) -> Any:
        not_before(
            value,
            info.data.get("announced_at"),
            _("is before announced_at; what is not known yet cannot be withdrawn"),
        )
        return value

    @model_validator(mode="after")
    def _complete(self) -> Self:
        fill_in_id(self, "planned period", *_NATURAL)
        return self


def check_length(starts_at: datetime, ends_at: datetime) -> None:
    """Refuse a period that does not end after it starts, or lasts too long.

    Raises:
        WrongField: at ``ends_at``.
    """
    if ends_at <= starts_at:
        raise WrongField("ends_at", _("is not after the start; a period ends after it starts"))
    if ends_at - starts_at > timedelta(days=MOST_DAYS):
        raise WrongField(
            "ends_at",
            _(
                "is %(days)d days after the start; a period lasts at most %(most)d days,"
                " so plan it in parts",
                days=(ends_at - starts_at).days,
                most=MOST_DAYS,
            ),
        )


class WithdrawalFact(Fact):
    """That a planned period is planned no longer: since `withdrawn_at`, blank: from now on."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId
    withdrawn_at: Instant | None = None
