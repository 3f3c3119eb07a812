"""Reads of what a case cost."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.cases.cost.rules import Cost, Usual, expected_cans, strokes_not_made
from tracelog.cases.links.queries import LinkView
from tracelog.cases.queries import CaseView, known_span
from tracelog.defects.counts import production_counts
from tracelog.defects.queries import EntryFilter
from tracelog.plant.models import Machine, Pallet
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.holds.queries import held_pallets, holds_with_ids

# What is usual is learned from half a year before the trouble began.
BEFORE = timedelta(days=182)


def cost_of(session: Session, about: CaseView, links: Sequence[LinkView], now: datetime) -> Cost:
    """What a case cost until its end, or until now. A fixed number of statements.

    Args:
        session: an open session.
        about: the case.
        links: what belongs to it, from `links.queries.links_of`.
        now: UTC.
    """
    end = max(about.ended_at(now), about.since_at)
    cans, entries, strokes = _lost(session, about, about.since_at, end, now)
    before = _lost(session, about, about.since_at - BEFORE, about.since_at, now)
    told = [step.minutes_down for step in about.steps if step.minutes_down is not None]
    minutes = sum(told) if told else None
    speeds = session.execute(
        select(Machine.rated_spm).where(Machine.id.in_(about.machine_ids))
    ).scalars()
    pallets, pallet_cans = _held(session, links, now)
    return Cost(
        cans=cans,
        strokes=strokes,
        expected=expected_cans(Usual(before[0], before[2]), strokes),
        entries=entries,
        minutes_down=minutes,
        strokes_not_made=strokes_not_made(minutes, list(speeds)),
        pallets=pallets,
        pallet_cans=pallet_cans,
    )


def _lost(
    session: Session, about: CaseView, start: datetime, end: datetime, now: datetime
) -> tuple[int, int, int]:
    """Cans and entries of the defect, and strokes, while the counters are known."""
    start, end = known_span(session, about, start, end, now)
    if start >= end:
        return 0, 0, 0
    asked = EntryFilter(
        start=start, end=end, machine_ids=about.machine_ids, defects=(about.defect,), as_of=now
    )
    rows = production_counts(session, asked, by=())
    strokes = strokes_between(session, [Span(one, start, end) for one in about.machine_ids], now)
    return sum(row.cans for row in rows), sum(row.entries for row in rows), sum(strokes)


def _held(session: Session, links: Sequence[LinkView], now: datetime) -> tuple[int, int]:
    """Pallets on hold that belong to a case, each once, and the cans on them."""
    standing = [one for one in links if one.stands]
    hold_ids = [one.key for one in standing if one.target == "hold"]
    named = {one.name for one in standing if one.target == "pallet"}
    numbers = named & set(held_pallets(session, now)) if named else set()
    for hold in holds_with_ids(session, hold_ids, now) if hold_ids else ():
        numbers |= {one.pallet for one in hold.held}
    if not numbers:
        return 0, 0
    cans = session.execute(select(Pallet.cans).where(Pallet.pallet.in_(sorted(numbers)))).scalars()
    return len(numbers), sum(one or 0 for one in cans)
