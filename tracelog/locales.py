"""How each language writes numbers, days and instants; the languages there are.

English is written as it always was here: 1,234.5 and 2026-03-29. The others take their decimal
and thousands signs and the names of months and weekdays from the Unicode CLDR, by way of Babel,
and write the day first: 1.234,5 and 29/03/2026. Hours are written 08:15 in all of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Any, Literal

ENGLISH = "en"


@dataclass(frozen=True)
class Language:
    """A language of the pages.

    Attributes:
        name: as catalogues and accounts are named, such as ``pt_BR``.
        tag: as HTML and HTTP write it (BCP 47), such as ``pt-BR``.
        own_name: what its readers call it.
    """

    name: str
    tag: str
    own_name: str


LANGUAGES: Mapping[str, Language] = {
    one.name: one
    for one in (
        Language(ENGLISH, "en", "English"),
        Language("es", "es", "Español"),
        Language("pt_BR", "pt-BR", "Português (Brasil)"),
    )
}


@dataclass(frozen=True)
class Signs:
    """What CLDR says of one language.

    Attributes:
        decimal, group: the signs before decimals and between thousands.
        months, months_short: January first.
        weekdays, weekdays_short: Monday first.
    """

    decimal: str
    group: str
    months: tuple[str, ...]
    months_short: tuple[str, ...]
    weekdays: tuple[str, ...]
    weekdays_short: tuple[str, ...]


@cache
def signs(language: str) -> Signs:
    """The signs and names of a language, read once."""
    # Imported here, so that commands, which speak English, do not load it.
    from babel import Locale

    known = Locale.parse(language)
    symbols = known.number_symbols["latn"]

    def names(kind: Mapping[Any, Any], width: Literal["wide", "abbreviated"]) -> tuple[str, ...]:
        found = kind["stand-alone"].get(width) or kind["format"][width]
        return tuple(str(found[key]) for key in sorted(found))

    return Signs(
        symbols["decimal"],
        symbols["group"],
        names(known.months, "wide"),
        names(known.months, "abbreviated"),
        names(known.days, "wide"),
        names(known.days, "abbreviated"),
    )


@cache
def _exchange(language: str) -> dict[int, str]:
    known = signs(language)
    return {ord("."): known.decimal, ord(","): known.group}


def with_signs(text: str, language: str) -> str:
    """A number written the English way, in the signs of `language`.

    Example:
        >>> with_signs("1,234.5", "pt_BR")
        '1.234,5'
    """
    return text if language == ENGLISH else text.translate(_exchange(language))


def number(value: float, how: str, language: str) -> str:
    """A number in the signs of a language; `how` is a format specification such as ``,.1f``."""
    text = format(value, how)
    return text if language == ENGLISH else text.translate(_exchange(language))


def without_signs(text: str, language: str) -> str:
    """What was typed as a number, as the English way writes it, where that is beyond doubt.

    A lone comma is the decimal sign where the language has it so: nobody types thousands apart
    in a field, and ``1.234`` stays what it has always been. Text with both signs is one number
    only if it is well formed in that language; anything else is left as it was typed, for its
    reader to refuse.

    Example:
        >>> without_signs("0,285", "es"), without_signs("0.285", "es"), without_signs("1,2", "en")
        ('0.285', '0.285', '1,2')
    """
    if language == ENGLISH or "," not in text:
        return text
    known = signs(language)
    if known.decimal != ",":
        return text
    whole, _comma, decimals = text.strip().partition(known.decimal)
    tail = decimals.rstrip("% \N{NO-BREAK SPACE}")
    if not whole.lstrip("+-") or not tail.isdecimal():
        return text
    first, *groups = whole.lstrip("+-").split(known.group)
    if not first.isdecimal() or any(len(one) != 3 or not one.isdecimal() for one in groups):
        return text
    if groups and len(first) > 3:
        return text
    return f"{whole.replace(known.group, '')}.{decimals}"


def day(value: date, language: str) -> str:
    """A day: ``2026-03-29``, or day first, ``29/03/2026``."""
    return value.strftime("%Y-%m-%d" if language == ENGLISH else "%d/%m/%Y")


def day_of_year(value: date, language: str) -> str:
    """A day where the year is known: ``03-29``, or day first, ``29/03``."""
    return value.strftime("%m-%d" if language == ENGLISH else "%d/%m")


def month(value: date, language: str) -> str:
    """A month of a year: ``2026-03``, or ``03/2026``."""
    return value.strftime("%Y-%m" if language == ENGLISH else "%m/%Y")


def instant(local: datetime, language: str, seconds: bool = False) -> str:
    """A local time with its day: ``2026-03-29 08:15``, or day first, ``29/03/2026 08:15``."""
    clock = local.strftime("%H:%M:%S" if seconds else "%H:%M")
    return f"{day(local, language)} {clock}"
