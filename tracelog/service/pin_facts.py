"""The fact of a promised service: which machine, which service, on which day."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from tracelog.facts import (
    Day,
    Fact,
    Instant,
    Name,
    Note,
    Number,
    RowId,
    fill_in_id,
    not_before,
    one_of,
)
from tracelog.language import _


class PinEnd(StrEnum):
    """Why a promise holds no longer; that the service was done is seen from the services."""

    UNPINNED = "unpinned"
    MOVED = "moved"


class ServicePinFact(Fact):
    """A day on which somebody promised a service of a bodymaker (service_pins.csv).

    `ended_at` blank: nobody took it back or moved it. A row without an `id` is known by machine,
    service, day and `pinned_at`.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId = Field(default=None, validate_default=False)  # type: ignore[assignment]
    line: Number
    bodymaker: Number
    service: Name
    pinned_on: Day
    pinned_at: Instant
    pinned_by: Name | None = None
    note: Note | None = None
    ended_at: Instant | None = None
    ended_because: Annotated[PinEnd, one_of(PinEnd)] | None = None

    @field_validator("ended_at")
    @classmethod
    def _ends(cls, value: Any, info: ValidationInfo) -> Any:
        not_before(
            value,
            info.data.get("pinned_at"),
            _("is before pinned_at; a promise ends after it was made"),
        )
        return value

    @field_validator("ended_because")
    @classmethod
    def _reason_needs_end(cls, value: Any, info: ValidationInfo) -> Any:
        if value is not None and "ended_at" in info.data and info.data["ended_at"] is None:
            raise ValueError(_("is given, but ended_at is blank; give both or neither"))
        return value

    @model_validator(mode="after")
    def _complete(self) -> Self:
        names = ("line", "bodymaker", "service", "pinned_on", "pinned_at")
        fill_in_id(self, "service pin", *names)
        return self


class PinRequest(Fact):
    """A wish to promise a service on a day, as a page or program sends it."""

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "service")
    line: Number
    bodymaker: Number
    service: Name
    pinned_on: Day
    note: Note | None = None
