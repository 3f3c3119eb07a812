"""Signals in words, as pages show them."""

from collections.abc import Mapping
from dataclasses import dataclass

from tracelog.language import _, figure
from tracelog.trends.signals.queries import SignalView
from tracelog.trends.signals.rules import Kind
from tracelog.web.numbers import rate


@dataclass(frozen=True)
class SignalCard:
    """One signal as a page shows it: what it is about, what it says, and where it leads."""

    signal: SignalView
    title: str
    says: str
    links: Mapping[str, str]


def card(one: SignalView, title: str, links: Mapping[str, str]) -> SignalCard:
    """A signal as a page shows it.

    Args:
        one: the signal.
        title: what people call its kind of defect.
        links: addresses by what they lead to.
    """
    return SignalCard(one, title or _("all kinds of defect"), says(one), links)


def says(one: SignalView) -> str:
    """What a signal says, in one sentence."""
    if one.kind is Kind.SILENT:
        return _(
            "Nothing has been logged for %(strokes)s strokes, where %(expected)s entries would be"
            " usual: the log may have stopped, not the machine.",
            strokes=figure(one.strokes, ","),
            expected=rate(one.baseline_per_million * one.strokes / 1e6),
        )
    values = {
        "rate": rate(one.rate_per_million),
        "baseline": rate(one.baseline_per_million),
        "count": one.count,
        "strokes": figure(one.strokes, ","),
    }
    if one.kind is Kind.FALL:
        return _(
            "Fewer: %(rate)s per million strokes, where %(baseline)s were usual; %(count)d in"
            " %(strokes)s strokes.",
            **values,
        )
    return _(
        "More: %(rate)s per million strokes, where %(baseline)s were usual; %(count)d in"
        " %(strokes)s strokes.",
        **values,
    )


def short(one: SignalView) -> str:
    """A signal in a few words, for the floor."""
    if one.kind is Kind.SILENT:
        return _("nothing logged any more")
    words = _("more %(defect)s", defect=one.defect)
    return words if one.kind is Kind.RISE else _("fewer %(defect)s", defect=one.defect)
