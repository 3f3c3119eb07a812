"""What every fact has in common, whichever door it comes through: form, API, CSV or MQTT.

A fact is one pydantic model. It takes text as people and files write it, as well as JSON's
types, and says in one sentence per field what is wrong and what would be right.
"""

import hashlib
import json
import math
import re
import unicodedata
import uuid
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self, TypeVar
from zoneinfo import ZoneInfo

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from tracelog.errors import BadFact, Fault
from tracelog.instants import parse_instant, utc_of, write_instant
from tracelog.language import _

LARGEST_COUNT = 10**15
_WHOLE = re.compile(r"[+-]?[0-9]+", re.ASCII)
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?", re.ASCII)
_UTC_ZONE = ZoneInfo("UTC")
# Namespace of the ids derived from the content of rows that come without one.
_NAMESPACE = uuid.UUID("8f5b6f0e-6a53-4b0b-9f52-5d4a2f8f0c11")


class Fact(BaseModel):
    """One row of a file, one object of the API, one form: the same checks for all."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_default=False, arbitrary_types_allowed=True
    )
    # The fields that tell one fact from another of its kind.
    key_fields: ClassVar[tuple[str, ...]] = ()
    # Fields beside `columns()` that a file has a column for only where some row fills it.
    unusual_fields: ClassVar[tuple[str, ...]] = ()

    @model_validator(mode="before")
    @classmethod
    def _blank_is_not_known(cls, values: Any) -> Any:
        if not isinstance(values, Mapping):
            return values
        fields = cls.model_fields
        return {
            name: value
            for name, value in values.items()
            if (value.strip() if type(value) is str else value is not None) or name not in fields
        }

    @classmethod
    def read(cls, values: Mapping[str, Any], zone: ZoneInfo) -> Self:
        """Check `values` (field name to text or JSON value) and make the fact.

        Args:
            values: as sent; blank and absent both mean not known.
            zone: the plant's zone, for instants without an offset.

        Raises:
            BadFact: with one fault for each field that is wrong.
        """
        try:
            return cls.model_validate(values, context={"zone": zone})
        except ValidationError as problem:
            raise BadFact(explain(problem, cls)) from None
        except UnicodeEncodeError:
            # The library cannot hold a sentence that quotes such text.
            raise BadFact(_half_characters(values)) from None

    @property
    def key(self) -> tuple[Any, ...]:
        """The natural key: what makes two rows the same fact."""
        return tuple(getattr(self, field) for field in self.key_fields)

    @classmethod
    def columns(cls) -> tuple[str, ...]:
        """Column names in the order of the file."""
        return tuple(cls.model_fields)


class WrongField(ValueError):
    """A rule over several fields that is best told at one of them."""

    def __init__(self, field: str, sentence: str) -> None:
        super().__init__(sentence)
        self.field = field


FactType = TypeVar("FactType", bound=Fact)


def explain(problem: ValidationError, fact: type[BaseModel]) -> tuple[Fault, ...]:
    """Turn what pydantic found into our sentences, one for each field, in order of the fields."""
    faults: dict[str, Fault] = {}
    for error in problem.errors(include_url=False):
        field = str(error["loc"][0]) if error["loc"] else ""
        kind = error["type"]
        if kind == "extra_forbidden":
            sentence = _(
                "'%(field)s' is not known here; known are %(known)s",
                field=field[:60],
                known=", ".join(fact.model_fields),
            )
        elif kind == "missing":
            sentence = _("is missing; a value is needed")
        elif kind == "value_error":
            cause = error["ctx"]["error"]
            sentence = str(cause)
            field = cause.field if isinstance(cause, WrongField) else field
        else:
            sentence = _("%(what)s is not of the right kind", what=_quoted(error["input"]))
        faults.setdefault(field, Fault(field, sentence))
    return tuple(faults.values())


def _half_characters(values: Mapping[str, Any]) -> tuple[Fault, ...]:
    """Faults of the fields that hold half a character (a lone surrogate, as JSON can escape it)."""
    sentence = _("holds half a character; write plain text")
    wrong = [name for name, value in values.items() if isinstance(value, str) and _is_half(value)]
    return tuple(Fault(name, sentence) for name in wrong or ("",))


def _is_half(text: str) -> bool:
    return any(unicodedata.category(sign) == "Cs" for sign in text)


def _quoted(value: object) -> str:
    text = str(value)
    return f"'{text[:60]}…'" if len(text) > 60 else f"'{text}'"


def _instant(value: Any, info: ValidationInfo) -> datetime:
    zone = (info.context or {}).get("zone", _UTC_ZONE)
    if isinstance(value, datetime):
        return utc_of(value, zone)
    if not isinstance(value, str):
        raise ValueError(
            _("%(what)s is not an instant; write 2026-03-29T06:15:00Z", what=_quoted(value))
        )
    return parse_instant(value, zone)


def whole_number(value: Any, low: int, high: int) -> int:
    """A whole number from `low` to `high`, from an int or its plain digits.

    Raises:
        ValueError: anything else, with the sentence to show.
    """
    if isinstance(value, str) and (
        (value.isdecimal() and value.isascii() and len(value) <= 40)
        or (len(value) <= 40 and _WHOLE.fullmatch(value.strip()))
    ):
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(
            _(
                "%(what)s is not a whole number; write digits only, such as %(low)d or 12",
                what=_quoted(value),
                low=low,
            )
        )
    if not low <= value <= high:
        raise ValueError(
            _(
                "%(value)s is out of range; it must be from %(low)d to %(high)d",
                value=_quoted(value),
                low=low,
                high=high,
            )
        )
    return value


def decimal_number(value: Any, low: float = -1e15, high: float = 1e15) -> float:
    """A finite number from `low` to `high`, from a number or its text with a decimal point.

    Raises:
        ValueError: anything else, with the sentence to show.
    """
    if isinstance(value, str) and _NUMBER.fullmatch(value.strip()):
        value = float(value)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    # Whole numbers of any length are finite, though not as floats.
    if not is_number or (isinstance(value, float) and not math.isfinite(value)):
        raise ValueError(
            _("%(what)s is not a number; write it such as 12 or 0.25", what=_quoted(value))
        )
    if not low <= value <= high:
        raise ValueError(
            _(
                "%(value)s is out of range; it must be from %(low)g to %(high)g",
                value=_quoted(value),
                low=low,
                high=high,
            )
        )
    return float(value)


def plain_text(value: Any, longest: int, lines: bool = False) -> str:
    """Text without control characters, at most `longest` characters, ends trimmed, in NFC.

    Raises:
        ValueError: not text, too long, or with characters that cannot be shown.
    """
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str):
        raise ValueError(_("%(what)s is not text", what=_quoted(value)))
    text = value.strip()
    # Most text is plain letters and digits, which need no closer look.
    is_plain = text.isascii() and text.isprintable()
    if not is_plain:
        text = unicodedata.normalize("NFC", text)
    if len(text) > longest:
        raise ValueError(
            _(
                "is %(length)d characters long; at most %(longest)d are kept",
                length=len(text),
                longest=longest,
            )
        )
    allowed = "\n\r\t" if lines else ""
    if not is_plain and any(
        unicodedata.category(sign) in {"Cc", "Cs"} and sign not in allowed for sign in text
    ):
        raise ValueError(_("has a control character; write plain text"))
    return text.replace("\r\n", "\n").replace("\r", "\n") if lines else text


def _boolean(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.strip() in {"yes", "no"}:
        return value.strip() == "yes"
    raise ValueError(_("%(what)s is neither 'yes' nor 'no'", what=_quoted(value)))


def read_day(value: Any) -> date:
    """A day of the plant's clock as sent.

    Raises:
        ValueError: not a date.
    """
    if isinstance(value, str):
        try:
            value = date.fromisoformat(value.strip())
        except ValueError:
            value = None
    if type(value) is not date:
        raise ValueError(_("is not a date; write it such as 2026-01-05"))
    return value


def read_id(value: Any) -> uuid.UUID:
    """An id as sent.

    Raises:
        ValueError: not a UUID.
    """
    if isinstance(value, uuid.UUID):
        return value
    try:
        if not isinstance(value, str) or len(value.strip()) != 36:
            raise ValueError
        return uuid.UUID(value.strip())
    except ValueError:
        raise ValueError(
            _(
                "'%(id)s' is not a UUID; write 36 characters such as"
                " 0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e55, or leave it blank",
                id=str(value)[:40],
            )
        ) from None


def one_of(words: type[StrEnum]) -> BeforeValidator:
    """Validator of a field that takes one of few words."""

    known = {word.value: word for word in words}

    def check(value: Any) -> StrEnum:
        found = known.get(value.strip()) if isinstance(value, str) else None
        if found is None:
            raise ValueError(
                _(
                    "%(what)s is not one of: %(known)s",
                    what=_quoted(value),
                    known=", ".join(known),
                )
            )
        return found

    return BeforeValidator(check)


def not_before(later: datetime | None, earlier: datetime | None, sentence: str) -> None:
    """Refuse an end that lies before its start.

    Raises:
        ValueError: with `sentence`.
    """
    if later is not None and earlier is not None and later < earlier:
        raise ValueError(sentence)


def write_value(value: object) -> str:
    """The canonical text of a value in a file: what `Fact.read` takes back unchanged."""
    if value is None:
        return ""
    if type(value) is str:
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return write_instant(value)
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)


def plain_value(value: object) -> object:
    """What JSON has no type for, as documented answers write it: instants in UTC, else text."""
    return write_value(value) if isinstance(value, datetime) else str(value)


def derived_id(kind: str, values: dict[str, Any]) -> uuid.UUID:
    """The id of a row that came without one: the same content always gets the same id."""
    content = json.dumps([kind, {name: write_value(value) for name, value in values.items()}])
    return uuid.uuid5(_NAMESPACE, hashlib.sha256(content.encode()).hexdigest())


def fill_in_id(fact: Fact, kind: str, *names: str) -> None:
    """Give a fact that came without an id the one that follows from its content.

    Args:
        fact: with a field ``id``.
        kind: what it is, so that facts of two kinds have two ids.
        names: the fields that tell it from others; none: all, of the unusual ones those filled.
    """
    if "id" not in fact.model_fields_set:
        blank = {name for name in fact.unusual_fields if getattr(fact, name) is None}
        told = names or tuple(n for n in type(fact).model_fields if n not in {"id", *blank})
        content = {name: getattr(fact, name) for name in told}
        object.__setattr__(fact, "id", derived_id(kind, content))


def known_words(words: Iterable[object], most: int = 12) -> str:
    """A short list of what would be right, for the end of a sentence."""
    listed = [str(word) for word in words]
    more = len(listed) - most
    return ", ".join(listed[:most]) + (f" and {more} more" if more > 0 else "")


def _described(kind: str, **bounds: Any) -> WithJsonSchema:
    """What the API's description says of a type; its validator alone says what is taken."""
    return WithJsonSchema({"type": kind, **bounds})


Instant = Annotated[
    datetime,
    BeforeValidator(_instant),
    _described(
        "string", format="date-time", description="ISO 8601; without an offset it is plant time"
    ),
]
Count = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 0, LARGEST_COUNT)),
    _described("integer", minimum=0, maximum=LARGEST_COUNT),
]
Positive = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 1, LARGEST_COUNT)),
    _described("integer", minimum=1, maximum=LARGEST_COUNT),
]
# Line, machine and day numbers: small, so that a slip of the key is caught.
Number = Annotated[
    int,
    BeforeValidator(lambda value: whole_number(value, 1, 999)),
    _described("integer", minimum=1, maximum=999),
]
Measure = Annotated[
    float, BeforeValidator(decimal_number), _described("number", minimum=-1e15, maximum=1e15)
]
PositiveMeasure = Annotated[
    float,
    BeforeValidator(lambda value: decimal_number(value, 1e-6)),
    _described("number", minimum=1e-6, maximum=1e15),
]
Name = Annotated[
    str,
    BeforeValidator(lambda value: plain_text(value, 80)),
    _described("string", minLength=1, maxLength=80),
]
Note = Annotated[
    str,
    BeforeValidator(lambda value: plain_text(value, 4000, lines=True)),
    _described("string", minLength=1, maxLength=4000),
]
Day = Annotated[
    date, BeforeValidator(read_day), WithJsonSchema({"type": "string", "format": "date"})
]
YesNo = Annotated[bool, BeforeValidator(_boolean), _described("boolean")]
RowId = Annotated[uuid.UUID, BeforeValidator(read_id)]
