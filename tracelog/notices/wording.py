"""Notices in words, as pages show them."""

from collections.abc import Mapping

from tracelog.language import _
from tracelog.notices.facts import Kind, Pace, Way, write_time
from tracelog.notices.rules import Wanted


def kind_words() -> Mapping[str, str]:
    """What somebody can be told of."""
    return {
        Kind.SIGNAL: _("a signal is raised"),
        Kind.SIGNAL_OVER: _("a signal is over"),
        Kind.HOLD: _("stock is put on hold"),
        Kind.RELEASE: _("a hold is decided on or closed"),
        Kind.SERVICE: _("a service is due or overdue"),
        Kind.SILENT_COUNTER: _("a counter falls silent"),
        Kind.CASE_BACK: _("a case comes back"),
        Kind.COMPLAINT: _("a complaint is written"),
    }


def notice_words() -> Mapping[str, str]:
    """What a notice is about, in one or two words."""
    return {
        Kind.SIGNAL: _("signal"),
        Kind.SIGNAL_OVER: _("signal over"),
        Kind.HOLD: _("hold"),
        Kind.RELEASE: _("hold decided"),
        Kind.SERVICE: _("service"),
        Kind.SILENT_COUNTER: _("silent counter"),
        Kind.CASE_BACK: _("case came back"),
        Kind.COMPLAINT: _("complaint"),
        "test": _("test"),
        "webhook off": _("webhook off"),
    }


def way_words() -> Mapping[str, str]:
    """How somebody is told."""
    return {
        Way.PAGE: _("on the page alone"),
        Way.EMAIL: _("by e-mail"),
        Way.WEBHOOK: _("by webhook"),
    }


def pace_words() -> Mapping[str, str]:
    """How often somebody is told."""
    return {
        Pace.AT_ONCE: _("each at once"),
        Pace.HOURLY: _("gathered, every full hour"),
        Pace.DAILY: _("gathered, once a day"),
        Pace.SHIFT: _("gathered, when a shift starts"),
    }


def state_words() -> Mapping[str, str]:
    """How a message stands."""
    return {
        "waiting": _("waiting"),
        "claimed": _("being sent"),
        "sent": _("sent"),
        "given up": _("given up"),
    }


def when_told(wanted: Wanted) -> str:
    """When messages of a subscription go out, in a few words."""
    if wanted.way is Way.PAGE:
        return _("at once")
    said = pace_words()[wanted.pace]
    if wanted.daily_at is not None:
        said = _("gathered, at %(time)s every day", time=write_time(wanted.daily_at))
    if wanted.quiet_from is not None:
        said = _(
            "%(when)s; quiet from %(start)s to %(end)s",
            when=said,
            start=write_time(wanted.quiet_from),
            end=write_time(wanted.quiet_to),
        )
    return _("%(when)s; leaks always at once", when=said) if wanted.leaks_at_once else said
