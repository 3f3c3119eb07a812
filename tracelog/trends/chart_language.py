"""What the chart library needs to speak the reader's language: numbers, dates, its own buttons."""

from typing import Any

from tracelog.language import _, language
from tracelog.locales import ENGLISH, signs


def chart_language() -> dict[str, Any] | None:
    """A locale as the chart library takes it; None for English, which it speaks by itself.

    Source: the locale files of Plotly.js (their form; the words are ours and CLDR's).
    """
    if language() == ENGLISH:
        return None
    known = signs(language())

    def sunday_first(names: tuple[str, ...]) -> list[str]:
        return [names[6], *names[:6]]

    return {
        "dictionary": {
            "Autoscale": _("Autoscale"),
            "Box Select": _("Box Select"),
            "Double-click to zoom back out": _("Double-click to zoom back out"),
            "Download plot as a PNG": _("Download plot as a PNG"),
            "Lasso Select": _("Lasso Select"),
            "Pan": _("Pan"),
            "Reset axes": _("Reset axes"),
            "Zoom": _("Zoom"),
            "Zoom in": _("Zoom in"),
            "Zoom out": _("Zoom out"),
        },
        "format": {
            "days": sunday_first(known.weekdays),
            "shortDays": sunday_first(known.weekdays_short),
            "months": list(known.months),
            "shortMonths": list(known.months_short),
            "decimal": known.decimal,
            "thousands": known.group,
            "grouping": [3],
            "date": "%d/%m/%Y",
            "year": "%Y",
            "month": "%b %Y",
            "dayMonth": "%-d %b",
            "dayMonthYear": "%-d %b %Y",
        },
    }
