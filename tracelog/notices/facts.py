"""What a person says of a subscription: what to be told, where, and by which way."""

import re
from datetime import time
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, field_validator, model_validator

from tracelog.defects.facts import Severity
from tracelog.facts import Fact, Name, Number, RowId, WrongField, YesNo, one_of, whole_number
from tracelog.language import _

MOST_DAYS_AHEAD = 60
USUAL_DAYS_AHEAD = 3
LONGEST_ADDRESS = 500
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]", re.ASCII)
# Common practice: letters, digits and a few signs before the at sign, a name with dots behind it.
_MAILBOX = re.compile(
    r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@"
    r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
    r"(?:\.[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?)*",
    re.ASCII,
)


class Kind(StrEnum):
    """What somebody can be told of."""

    SIGNAL = "signal"
    SIGNAL_OVER = "signal over"
    HOLD = "hold"
    RELEASE = "release"
    SERVICE = "service"
    SILENT_COUNTER = "silent counter"
    CASE_BACK = "case back"
    COMPLAINT = "complaint"


class Way(StrEnum):
    """How somebody is told; whichever it is, it stands on the page too."""

    PAGE = "page"
    EMAIL = "email"
    WEBHOOK = "webhook"


class Pace(StrEnum):
    """How often: each thing at once, or gathered into one message."""

    AT_ONCE = "at once"
    HOURLY = "hourly"
    DAILY = "daily"
    SHIFT = "shift"


def clock_time(value: Any) -> time:
    """A time of the plant's clock as sent.

    Raises:
        ValueError: not a time of the day in hours and minutes.
    """
    if isinstance(value, time):
        return value
    text = value.strip() if isinstance(value, str) else ""
    if not _CLOCK.fullmatch(text):
        raise ValueError(_("is not a time of the day; write it such as 06:00"))
    return time.fromisoformat(text)


def write_time(value: time | None) -> str | None:
    """The text of a time as it is kept and sent: ``06:00``."""
    return None if value is None else f"{value:%H:%M}"


def _kinds(value: Any) -> tuple[Kind, ...]:
    given = value.split(",") if isinstance(value, str) else value
    if not isinstance(given, list | tuple) or not given:
        raise ValueError(_("is missing; choose at least one thing to be told of"))
    words = [one.strip() if isinstance(one, str) else "" for one in given]
    unknown = [one for one in words if one not in set(Kind)]
    if unknown:
        raise ValueError(
            _(
                "'%(word)s' is not one of: %(known)s",
                word=unknown[0][:40],
                known=", ".join(Kind),
            )
        )
    return tuple(kind for kind in Kind if kind in words)


def _address(value: Any) -> str:
    text = value.strip() if isinstance(value, str) else ""
    if not text or len(text) > LONGEST_ADDRESS or not text.isascii() or not text.isprintable():
        raise ValueError(
            _("is no address; write it in plain letters, at most 500 of them, without breaks")
        )
    return text


Kinds = Annotated[
    tuple[Kind, ...],
    BeforeValidator(_kinds),
    WithJsonSchema(
        {"type": "array", "items": {"type": "string", "enum": list(Kind)}, "minItems": 1}
    ),
]
ClockTime = Annotated[
    time,
    BeforeValidator(clock_time),
    WithJsonSchema({"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}),
]
Address = Annotated[
    str,
    BeforeValidator(_address),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": LONGEST_ADDRESS}),
]
DaysAhead = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 0, MOST_DAYS_AHEAD)),
    WithJsonSchema({"type": "integer", "minimum": 0, "maximum": MOST_DAYS_AHEAD}),
]


class SubscriptionFact(Fact):
    """What a person wants to be told, where it happens, and by which way.

    Without `line` and `machine`: of the whole plant. `least_severity` holds for signals alone,
    `days_ahead` for services due. `address` is of an e-mail, or of a webhook. Times are the plant
    clock's: `daily_at` of a daily digest; between `quiet_from` and `quiet_to` nothing is sent,
    but leaks at once where `leaks_at_once` says so.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    kinds: Kinds
    line: Number | None = None
    machine: Name | None = None
    least_severity: Annotated[Severity, one_of(Severity)] | None = None
    days_ahead: DaysAhead = Field(default=USUAL_DAYS_AHEAD)
    way: Annotated[Way, one_of(Way)]
    address: Address | None = None
    pace: Annotated[Pace, one_of(Pace)] = Field(default=Pace.AT_ONCE)
    daily_at: ClockTime | None = None
    quiet_from: ClockTime | None = None
    quiet_to: ClockTime | None = None
    leaks_at_once: YesNo = Field(default=False)

    @field_validator("machine")
    @classmethod
    def _one_place(cls, value: Any, info: Any) -> Any:
        if value is not None and info.data.get("line") is not None:
            raise ValueError(_("is given beside a line; give the line or the machine, not both"))
        return value

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.way is Way.PAGE and self.address is not None:
            raise WrongField("address", _("does not belong to the page; leave it blank"))
        if self.way is not Way.PAGE and self.address is None:
            raise WrongField("address", _("is missing; write where the message goes"))
        if self.way is Way.EMAIL and not is_mailbox(self.address or ""):
            raise WrongField(
                "address", _("is not an e-mail address; write it such as anna@plant.example")
            )
        if (self.pace is Pace.DAILY) != (self.daily_at is not None):
            raise WrongField(
                "daily_at",
                _("is missing; say when the daily message is sent")
                if self.daily_at is None
                else _("belongs to a daily message alone; leave it blank"),
            )
        if (self.quiet_from is None) != (self.quiet_to is None):
            name = "quiet_from" if self.quiet_from is None else "quiet_to"
            raise WrongField(name, _("is missing; quiet hours have a start and an end"))
        if self.quiet_from is not None and self.quiet_from == self.quiet_to:
            raise WrongField("quiet_to", _("is the same as the start; give a later or earlier one"))
        return self


def is_mailbox(text: str) -> bool:
    """Whether a text is an e-mail address that can be written into a header as it is."""
    return len(text) <= 254 and _MAILBOX.fullmatch(text) is not None
