"""The words around a baseline: who froze it, when and why, and what speaks for another."""

from zoneinfo import ZoneInfo

from tracelog.instants import show_instant
from tracelog.language import _
from tracelog.trends.answers import ChartAnswer
from tracelog.trends.series.drawing import event_words
from tracelog.trends.series.rules import Proposal
from tracelog.trends.wording import as_sentence


def baseline_words(chart: ChartAnswer, zone: ZoneInfo) -> str:
    """What sets the limits, who said so, when and why."""
    if chart.baseline is None:
        told = _("All points shown set the centre and the limits, as usual.")
        if chart.frozen is None or chart.frozen.period is not None:
            return told
        return (
            told
            + " "
            + _(
                "%(who)s went back to this on %(when)s: %(why)s",
                who=chart.frozen.frozen_by,
                when=show_instant(chart.frozen.frozen_at, zone),
                why=as_sentence(chart.frozen.reason),
            )
        )
    start, end = (show_instant(moment, zone) for moment in chart.baseline)
    if chart.frozen_in_use is None:
        return _(
            "%(start)s to %(end)s sets the centre and the limits, chosen for this look only.",
            start=start,
            end=end,
        )
    return _(
        "%(start)s to %(end)s sets the centre and the limits; frozen by %(who)s on %(when)s:"
        " %(why)s",
        start=start,
        end=end,
        who=chart.frozen_in_use.frozen_by,
        when=show_instant(chart.frozen_in_use.frozen_at, zone),
        why=as_sentence(chart.frozen_in_use.reason),
    )


def proposal_words(proposal: Proposal, zone: ZoneInfo) -> str:
    """What happened after a frozen baseline, and what that speaks for."""
    return _(
        "Since the frozen baseline: %(what)s on %(when)s. What came before may say little about"
        " what comes after; a new baseline could begin there.",
        what=event_words(proposal.event),
        when=show_instant(proposal.event.at, zone),
    )
