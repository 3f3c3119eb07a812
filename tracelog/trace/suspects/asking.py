"""The whole answer about suspect cans: the window with the basis of each end, and its pallets."""

import uuid
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.instants import show_instant
from tracelog.language import _
from tracelog.plant.queries import MachineView, directory, the_plant
from tracelog.trace.suspects.evidence import LOOKED_BACK, Evidence, evidence_of, latest_bad
from tracelog.trace.suspects.queries import SuspectQuestion, SuspectWindow, suspect_pallets
from tracelog.trace.suspects.rules import LONGEST_WINDOW, USUAL_RISK, USUAL_SLACK
from tracelog.trace.suspects.wording import (
    bad_said,
    end_basis,
    said,
    start_basis,
    warnings_of,
)

# Where neither a check nor an event is on record: from so long before the bad can on.
_NOTHING_KNOWN = timedelta(days=7)


@dataclass(frozen=True)
class Wish:
    """What somebody asks about suspect cans; times in UTC, None: as the record says.

    Attributes:
        machine_ids: machines that may have made them; at least one.
        defect: its code; None: only with `good_at`.
        bad_at: when a bad can was made.
        good_at, repaired_at: the person's word, which overrules the record.
        risk: accepted for each pallet, above 0 and below 1.
        fraction: share of the suspect cans that is defective, if one is given.
        slack: by how much the ends may be off, either way.
    """

    machine_ids: tuple[uuid.UUID, ...]
    defect: str | None = None
    bad_at: datetime | None = None
    good_at: datetime | None = None
    repaired_at: datetime | None = None
    risk: float = USUAL_RISK
    fraction: float | None = None
    slack: timedelta = USUAL_SLACK


@dataclass(frozen=True)
class Bound:
    """An end of the window and what says so; `is_known`: a check or a person stands behind it."""

    at: datetime
    basis: str
    is_known: bool = True


@dataclass(frozen=True)
class Suspects:
    """The answer about suspect cans.

    Attributes:
        wish: as it was asked.
        machines: in question.
        start: the last good check.
        first_bad: the first bad can.
        end: the first good check after the repair.
        evidence: what is on record; None: nothing was looked up, as a person gave the times.
        window: pallets and what is expected on them.
        warnings: what the reader must know before he relies on it.
    """

    wish: Wish
    machines: tuple[MachineView, ...]
    start: Bound
    first_bad: Bound
    end: Bound
    evidence: Evidence | None
    window: SuspectWindow
    warnings: tuple[str, ...]


def suspects(session: Session, wish: Wish, as_of: datetime) -> Suspects:
    """Find the window in which a machine may have made bad cans, and its pallets.

    Args:
        session: an open session.
        wish: what is asked.
        as_of: UTC; only what was known by then.

    Returns:
        The answer, from a fixed number of statements.

    Raises:
        TracelogError: something is missing or contradicts itself, told at its field.
    """
    zone = the_plant(session).zone
    machines = directory(session)
    asked = tuple(machines.by_id[one] for one in dict.fromkeys(wish.machine_ids))
    wish = _completed(session, wish, as_of)
    _check(wish, as_of, zone)
    evidence = None
    if wish.defect and wish.bad_at:
        evidence = evidence_of(session, wish.machine_ids, wish.defect, wish.bad_at, as_of)
    first_bad = _first_bad(wish, evidence, zone)
    start = _start(wish, evidence, first_bad.at, zone)
    end = _end(wish, evidence, as_of, zone)
    question = SuspectQuestion(
        wish.machine_ids[0],
        start.at,
        end.at,
        also=tuple(wish.machine_ids[1:]),
        slack_from=wish.slack,
        slack_to=wish.slack,
        fraction=wish.fraction,
    )
    window = _window(session, question, as_of, is_open=not end.is_known)
    return Suspects(
        wish,
        asked,
        start,
        first_bad,
        end,
        evidence,
        window,
        tuple(warnings_of(evidence, window, start.is_known, asked, zone)),
    )


def _window(
    session: Session, question: SuspectQuestion, as_of: datetime, is_open: bool
) -> SuspectWindow:
    length = question.made_to - question.made_from
    if is_open and length > LONGEST_WINDOW:
        raise TracelogError(
            _(
                "is missing: no repair that held is on record, and the window would be open for"
                " %(days)d days; write when it was repaired",
                days=length.days,
            ),
            "repaired_at",
        )
    try:
        return suspect_pallets(session, question, as_of)
    except TracelogError as problem:
        # People gave good_at and repaired_at, not the ends that follow from them.
        problem.field = "good_at"
        raise


def _completed(session: Session, wish: Wish, as_of: datetime) -> Wish:
    """Without a time of the bad can, the last one on record counts."""
    if wish.bad_at is not None:
        return wish
    found = latest_bad(session, wish.machine_ids, wish.defect, as_of) if wish.defect else None
    if found is None and wish.good_at is None:
        raise TracelogError(
            _(
                "is missing, and no such defect of this machine is on record; write when the bad"
                " can was made, or give a last good time"
            ),
            "bad_at",
        )
    return replace(wish, bad_at=found)


def _check(wish: Wish, as_of: datetime, zone: ZoneInfo) -> None:
    for name in ("bad_at", "good_at", "repaired_at"):
        given: datetime | None = getattr(wish, name)
        if given is not None and given > as_of:
            raise TracelogError(
                _("lies ahead; give a time up to %(now)s", now=show_instant(as_of, zone)), name
            )
    if not 0 < wish.risk < 1:
        raise TracelogError(_("is not between 0 and 1; write 0.01 for one in a hundred"), "risk")
    if wish.fraction is not None and not 0 < wish.fraction <= 1:
        raise TracelogError(
            _("is not above 0 and up to 1; write 0.02 for two in a hundred"), "fraction"
        )
    if wish.bad_at and wish.good_at and wish.good_at >= wish.bad_at:
        raise TracelogError(
            _(
                "is not before the bad can, made %(bad)s; a can that was good later does not"
                " clear it",
                bad=show_instant(wish.bad_at, zone),
            ),
            "good_at",
        )
    since = wish.bad_at or wish.good_at
    if wish.repaired_at and since and wish.repaired_at < since:
        raise TracelogError(
            _(
                "is before %(since)s, when the fault was still there; write when it was repaired"
                " afterwards",
                since=show_instant(since, zone),
            ),
            "repaired_at",
        )


def _first_bad(wish: Wish, evidence: Evidence | None, zone: ZoneInfo) -> Bound:
    if evidence is None:
        at = wish.bad_at or wish.good_at
        assert at is not None  # noqa: S101  # `_completed` saw to it
        return Bound(at, said(_("the time given"), at, zone))
    at = evidence.chosen.first_bad
    if wish.good_at is not None:
        at = max(at, wish.good_at)
    return Bound(at, bad_said(at, at == wish.bad_at, zone))


def _start(wish: Wish, evidence: Evidence | None, first_bad: datetime, zone: ZoneInfo) -> Bound:
    if wish.good_at is not None:
        return Bound(wish.good_at, said(_("the last good time given"), wish.good_at, zone))
    chosen = evidence.chosen if evidence else None
    if chosen and chosen.good:
        return Bound(chosen.good.made_from, start_basis(chosen, LOOKED_BACK, zone))
    at = chosen.before.at if chosen and chosen.before else first_bad - _NOTHING_KNOWN
    return Bound(at, start_basis(chosen, LOOKED_BACK, zone), is_known=False)


def _end(wish: Wish, evidence: Evidence | None, as_of: datetime, zone: ZoneInfo) -> Bound:
    if wish.repaired_at is not None:
        given = wish.repaired_at
        return Bound(given, said(_("the time of repair given"), given, zone))
    chosen = evidence.chosen if evidence else None
    basis = end_basis(chosen, zone)
    if chosen and chosen.repair and chosen.verified:
        return Bound(chosen.verified.taken_at, basis)
    return Bound(as_of, basis, is_known=False)
