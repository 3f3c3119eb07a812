"""How numbers, instants and days are written on pages: one place, the same everywhere.

Each is also a filter in templates, under the same name: ``{{ strokes | count }}``. They write in
the language of the request; the examples are English.
"""

import math
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog import locales
from tracelog.instants import show_instant
from tracelog.language import _, language
from tracelog.web.figures import percent

# What stands where a value is not known; screen readers say the words beside it.
UNKNOWN = "–"


def count(value: float | None) -> str:
    """A count with its thousands apart: ``12,345,678``."""
    return UNKNOWN if value is None else locales.number(value, ",.0f", language())


def number(value: float | None, how: str = ",.1f") -> str:
    """A number as a format specification has it: ``{{ hours | number(",.1f") }}``."""
    return UNKNOWN if value is None else locales.number(value, how, language())


def short_count(value: float | None) -> str:
    """A large count in few signs: ``842``, ``81.2 k``, ``81.2 M``, ``1.02 G``."""
    if value is None:
        return UNKNOWN
    for size, sign in ((1e9, "G"), (1e6, "M"), (1e4, "k")):
        if abs(value) >= size:
            scaled = value / (1e3 if sign == "k" else size)
            return f"{_digits(scaled)}\N{NARROW NO-BREAK SPACE}{sign}"
    return locales.number(value, ",.0f", language())


def rate(value: float | None) -> str:
    """A rate or another measured number to three significant digits, never in powers of ten."""
    return UNKNOWN if value is None else _digits(value)


def _digits(value: float, significant: int = 3) -> str:
    if not math.isfinite(value):
        return "\N{INFINITY}" if value > 0 else UNKNOWN
    if value == 0:
        return "0"
    places = max(significant - 1 - math.floor(math.log10(abs(value))), 0)
    return locales.number(value, f",.{min(places, 6)}f", language())


def share(value: float | None) -> str:
    """A share as whole percent: ``63 %``; never 100 % before all is used."""
    return UNKNOWN if value is None else f"{percent(value)}\N{NO-BREAK SPACE}%"


def probability(value: float | None) -> str:
    """A probability as percent, its ends as ``under 1 %`` and ``over 99 %``."""
    if value is None:
        return UNKNOWN
    if 0 < value < 0.01:
        return _("under 1 %")
    if 0.99 < value < 1:
        return _("over 99 %")
    return f"{value * 100:.0f}\N{NO-BREAK SPACE}%"


def p_value(value: float | None) -> str:
    """A p-value to two significant digits, the smallest as ``under 0.001``."""
    if value is None:
        return UNKNOWN
    return _("under 0.001") if value < 0.001 else locales.number(value, ".2g", language())


def instant(moment: datetime | None, zone: ZoneInfo) -> str:
    """An instant on the plant's clock: ``2026-03-29 08:15``."""
    return UNKNOWN if moment is None else show_instant(moment, zone)


def clock(moment: datetime | None, zone: ZoneInfo) -> str:
    """The time of day of an instant on the plant's clock: ``08:15``."""
    return UNKNOWN if moment is None else moment.astimezone(zone).strftime("%H:%M")


def day(value: date | datetime | None, zone: ZoneInfo) -> str:
    """A day: ``2026-03-29``; of an instant, the day on the plant's clock."""
    if value is None:
        return UNKNOWN
    chosen = value.astimezone(zone).date() if isinstance(value, datetime) else value
    return locales.day(chosen, language())


def day_of_year(value: date) -> str:
    """A day where its year is known: ``03-29``."""
    return locales.day_of_year(value, language())


def month_name(value: date) -> str:
    """The short name of a day's month: ``Mar``."""
    return locales.signs(language()).months_short[value.month - 1]


def for_field(moment: datetime | None, zone: ZoneInfo) -> str:
    """An instant as a date-and-time field of a form takes it, plant time: ``2026-03-29T08:15``."""
    return "" if moment is None else moment.astimezone(zone).strftime("%Y-%m-%dT%H:%M")


def ago(moment: datetime | None, present: datetime) -> str:
    """How long ago, or in how long, in one unit: ``12 min ago``, ``in 3 d``."""
    if moment is None:
        return UNKNOWN
    elapsed = present - moment
    words = span(abs(elapsed))
    if elapsed >= timedelta(0):
        return _("%(span)s ago", span=words)
    return _("in %(span)s", span=words)


def span(length: timedelta) -> str:
    """A length of time in its largest unit: ``40 s``, ``12 min``, ``5 h``, ``3 d``."""
    seconds = int(length.total_seconds())
    for size, unit in ((172_800, "d"), (7_200, "h"), (120, "min")):
        if seconds >= size:
            per = {"d": 86_400, "h": 3_600, "min": 60}[unit]
            return f"{seconds // per}\N{NO-BREAK SPACE}{unit}"
    return f"{seconds}\N{NO-BREAK SPACE}s"


# Filters that need nothing but the value; those of instants are given the plant's zone and the
# present instant by the application.
PLAIN: dict[str, Callable[..., Any]] = {
    "count": count,
    "day_of_year": day_of_year,
    "month_name": month_name,
    "number": number,
    "short_count": short_count,
    "rate": rate,
    "share": share,
    "p_value": p_value,
    "probability": probability,
    "span": span,
}
IN_ZONE: dict[str, Callable[..., Any]] = {
    "instant": instant,
    "clock": clock,
    "day": day,
    "for_field": for_field,
}
