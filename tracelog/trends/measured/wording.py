"""The words around measured values: names of charts, figures to their useful digits."""

import math
from collections.abc import Callable
from typing import TypeAlias

from tracelog.language import _, figure
from tracelog.reference import characteristic_named
from tracelog.trends.measured.rules import MeasuredChart, Scale

Write: TypeAlias = Callable[[float | None], str]


def chart_name(kind: MeasuredChart) -> str:
    """What a kind of chart is called on pages."""
    names = {
        MeasuredChart.AUTO: _("the one that fits"),
        MeasuredChart.X_BAR_R: _("X-bar and R: means and ranges"),
        MeasuredChart.X_BAR_S: _("X-bar and S: means and standard deviations"),
        MeasuredChart.INDIVIDUALS: _("individuals and moving range"),
        MeasuredChart.EWMA: _("EWMA: weighted average of all so far"),
        MeasuredChart.CUSUM: _("CUSUM: sums of deviations"),
    }
    return names[kind]


def scale_name(scale: Scale) -> str:
    """What a scale is called on pages."""
    names = {
        Scale.AUTO: _("the one that suits"),
        Scale.PLAIN: _("plain values"),
        Scale.LOG: _("logarithms"),
    }
    return names[scale]


def level_name(kind: MeasuredChart, *, is_grouped: bool) -> str:
    """What the upper panel shows."""
    if kind is MeasuredChart.CUSUM:
        return _("sums of deviations")
    if kind is MeasuredChart.EWMA:
        return _("weighted averages")
    return _("means of subgroups") if is_grouped else _("single values")


def spread_name(kind: MeasuredChart) -> str:
    """What the lower panel shows."""
    if kind is MeasuredChart.X_BAR_S:
        return _("standard deviations of subgroups")
    return _("ranges of subgroups") if kind is MeasuredChart.X_BAR_R else _("moving ranges")


def characteristic_name(word: str) -> str:
    """A characteristic by its name, or by its own word where the vocabulary has none."""
    known = characteristic_named(word)
    return word if known is None else _(known.name)


def digits_for(sigma: float | None) -> int:
    """Decimals that show a tenth of a standard deviation, at least none and at most 9.

    Example:
        >>> digits_for(0.0007), digits_for(0.03), digits_for(12)
        (5, 3, 0)
    """
    if sigma is None or not sigma > 0 or not math.isfinite(sigma):
        return 3
    return min(max(1 - math.floor(math.log10(sigma)), 0), 9)


def writer(digits: int) -> Write:
    """How values of one series are written: all to the same decimals."""

    def write(value: float | None) -> str:
        return "" if value is None else figure(value, f",.{digits}f")

    return write


def share_text(share: float | None) -> str:
    """A small share in parts per million, a larger one as per cent."""
    if share is None:
        return ""
    if share == 0:
        return "0"
    if share < 0.001:
        return _("%(ppm)s in a million", ppm=figure(share * 1e6, ",.3g"))
    return f"{figure(share * 100, '.3g')} %"
