"""The sentences that say on what a suspect window rests."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from tracelog.instants import show_instant
from tracelog.language import _, figure, in_words
from tracelog.plant.queries import MachineView
from tracelog.stats.seeing import cans_to_see, fraction_seen
from tracelog.trace.suspects.checks import Check, CheckKind, Chosen, Event, EventKind
from tracelog.trace.suspects.evidence import Evidence
from tracelog.trace.suspects.queries import SuspectWindow

CONFIDENCE = 0.95
ONE_IN_A_THOUSAND = 0.001


def said(what: str, at: datetime, zone: ZoneInfo) -> str:
    """A time that a person gave."""
    return _("%(what)s, %(at)s", what=what, at=show_instant(at, zone))


def few(cans: float) -> str:
    """A number of expected cans: whole ones from ten on, and the small ones not as nothing."""
    if 0 < cans < 0.05:
        return _("under 0.1")
    return figure(cans, ",.0f") if cans >= 10 or cans == 0 else figure(cans, ".1f")


def bad_said(at: datetime, is_given: bool, zone: ZoneInfo) -> str:
    """Which can was the first bad one."""
    if is_given:
        return _("the bad can asked about, made %(at)s", at=show_instant(at, zone))
    return _(
        "the first can with this defect on record since the last good check, made %(at)s or later",
        at=show_instant(at, zone),
    )


def check_words(check: Check, zone: ZoneInfo) -> str:
    """A check in a few words."""
    at = show_instant(check.taken_at, zone)
    if check.kind is CheckKind.MEASUREMENT:
        return _(
            "%(number)d values of %(name)s within limits, taken %(at)s",
            number=check.cans,
            name=check.name,
            at=at,
        )
    return _(
        "%(bad)d of %(cans)d cans with %(name)s, taken %(at)s",
        bad=check.bad,
        cans=check.cans,
        name=check.name,
        at=at,
    )


def event_words(event: Event, zone: ZoneInfo) -> str:
    """An event in a few words."""
    kinds = {
        EventKind.SERVICE: _("service"),
        EventKind.TOOL: _("tool fitted"),
        EventKind.COIL: _("coil begun"),
        EventKind.CHANGE: _("change"),
        EventKind.JAM: _("jam"),
    }
    return _(
        "%(kind)s (%(name)s), %(at)s",
        kind=kinds[event.kind],
        name=in_words(event.name),
        at=show_instant(event.at, zone),
    )


def missed_words(check: Check) -> str:
    """What a check of so many cans could have missed."""
    if check.cans < 1:
        return _("it looked at no can, and clears nothing")
    return _(
        "with 95 %% confidence it saw only a fault in more than %(fraction).3g %% of the cans",
        fraction=100 * fraction_seen(check.cans, CONFIDENCE),
    )


def start_basis(chosen: Chosen | None, looked_back: timedelta, zone: ZoneInfo) -> str:
    """What the start of the window rests on."""
    if chosen and chosen.good:
        cleared = ""
        if chosen.good.made_from != chosen.good.taken_at:
            cleared = " " + _(
                "It was taken behind the washer, so that it clears only cans made before %(at)s.",
                at=show_instant(chosen.good.made_from, zone),
            )
        return (
            _(
                "Last good check that could have seen it: %(check)s; %(missed)s.",
                check=check_words(chosen.good, zone),
                missed=missed_words(chosen.good),
            )
            + cleared
        )
    unknown = _(
        "No check of the %(days)d days before could have seen this defect and cleared the cans:"
        " the start is not known.",
        days=looked_back.days,
    )
    if chosen and chosen.before:
        return (
            unknown
            + " "
            + _(
                "Proposed is the last event before the first bad can: %(event)s. Hold everything"
                " until the quality authority has decided.",
                event=event_words(chosen.before, zone),
            )
        )
    return (
        unknown
        + " "
        + _(
            "No event is on record either: the week before is shown. Hold everything until the"
            " quality authority has decided."
        )
    )


def end_basis(chosen: Chosen | None, zone: ZoneInfo) -> str:
    """What the end of the window rests on."""
    if chosen and chosen.repair and chosen.verified:
        return _(
            "First good check after the repair: %(check)s; the repair: %(repair)s.",
            check=check_words(chosen.verified, zone),
            repair=event_words(chosen.repair, zone),
        )
    if chosen and chosen.repair:
        return _(
            "Repaired: %(repair)s; but no good check after it is on record, so that the window"
            " stays open until there is one.",
            repair=event_words(chosen.repair, zone),
        )
    return _("No repair after the last bad can is on record: the window is open until now.")


def warnings_of(
    evidence: Evidence | None,
    window: SuspectWindow,
    start_is_known: bool,
    machines: Sequence[MachineView],
    zone: ZoneInfo,
) -> Iterator[str]:
    """What the reader must know before relying on the answer."""
    if not start_is_known:
        yield _("The start is not known. Nothing here narrows a hold.")
    if window.is_cut:
        yield _(
            "There are more pallets than are shown: the list is cut, and is no list to hold by."
            " Take the window in parts."
        )
    if len(machines) > 1:
        yield _("Several machines may have made the cans: all cans of each count as suspect.")
    if evidence:
        yield from _of_evidence(evidence, zone)
    if window.unread_minutes >= 1:
        yield _(
            "Strokes of %(minutes)d minutes of the window are not on record: the machine's mean"
            " was filled in.",
            minutes=window.unread_minutes,
        )
    if window.strokes == 0:
        yield _("No strokes of the machine are on record in this window.")


def _of_evidence(evidence: Evidence, zone: ZoneInfo) -> Iterator[str]:
    chosen = evidence.chosen
    if chosen.passed_over:
        yield _(
            "Passed over as last good check: %(checks)s. The fault had been found within the day"
            " before, without a repair in between; a fault that comes and goes is not cleared by a"
            " few cans.",
            checks="; ".join(check_words(one, zone) for one in chosen.passed_over[:3]),
        )
    if evidence.is_cut:
        yield _("More is on record than is read here; older checks may be missing.")
    good = chosen.good
    if good and good.kind is CheckKind.MEASUREMENT:
        yield _(
            "The limits of %(name)s are starting defaults; the plant's own specification always"
            " wins. Whether the gauge was in calibration is not on record.",
            name=good.name,
        )
    if good and good.cans < cans_to_see(ONE_IN_A_THOUSAND, CONFIDENCE):
        yield _(
            "A few cans clear only a fault that is in nearly every can: to see 1 in 1,000 with"
            " 95 %% it takes %(cans)s cans. If the fault comes and goes, take the last event"
            " instead.",
            cans=figure(cans_to_see(ONE_IN_A_THOUSAND, CONFIDENCE), ","),
        )
