"""Figures and instants as the forms of the counters show and take them."""

import re
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from tracelog.instants import parse_instant

# A figure as displays group it: 12 345 678, 12,345,678, 12.345.678 or 12'345'678.
_GROUPED = re.compile(r"\d{1,3}(?:([ ,.'\u2019\u00a0\u202f])\d{3})(?:\1\d{3})*", re.ASCII)


def bare_figure(text: str) -> str:
    """A whole figure without the signs that set its thousands apart; any other text as it is.

    Example:
        >>> bare_figure("12,345,678"), bare_figure("12.5")
        ('12345678', '12.5')
    """
    return re.sub(r"\D", "", text) if _GROUPED.fullmatch(text) else text


@dataclass(frozen=True)
class FieldInstant:
    """An instant for a field of a form: what stands in it, and the field's type."""

    value: str
    type: str


def field_instant(moment: datetime, zone: ZoneInfo, *, seconds: bool = True) -> FieldInstant:
    """An instant on the plant's clock, to the second or minute, for a field.

    In the hour that the clock shows twice it is text with its offset, since a field for date and
    time cannot tell the two apart.
    """
    local = moment.astimezone(zone)
    text = local.strftime("%Y-%m-%dT%H:%M:%S" if seconds else "%Y-%m-%dT%H:%M")
    try:
        parse_instant(text, zone)
    except ValueError:
        return FieldInstant(local.replace(microsecond=0).isoformat(), "text")
    return FieldInstant(text, "datetime-local")
