"""The weekly review: the five things that changed most, totals by line, and what moved."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.queries import vocabulary
from tracelog.errors import TracelogError
from tracelog.handover.moved import Moved, moved
from tracelog.handover.weekly.gathering import Evidence, Week, gather, last_week, series_of, week_of
from tracelog.handover.weekly.rules import MOST_NAMED, Of, Series, changed_most
from tracelog.handover.weekly.wording import Item, overdue_item, said, silent_item
from tracelog.instants import day_of
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView, directory
from tracelog.service.queries import ServiceDone, service_standings, services_done
from tracelog.strokes.queries import OpenQuestion, open_questions

EARLIEST = date(1900, 1, 1)


@dataclass(frozen=True)
class LineWeek:
    """Totals of a line; usual: the mean of the weeks before that are known, None without any."""

    line: int
    name: str
    strokes: int
    usual_strokes: float | None
    entries: int
    cans: int
    spoilage: float | None
    usual_spoilage: float | None


@dataclass(frozen=True)
class WeekPage:
    """A week as the morning meeting looks at it."""

    week: Week
    counted_until: datetime
    items: tuple[Item, ...]
    compared: int
    lines: tuple[LineWeek, ...]
    moved: Moved
    services: tuple[ServiceDone, ...]
    overdue: int
    silent: tuple[tuple[str, datetime], ...]
    questions: tuple[tuple[str, OpenQuestion], ...]

    @property
    def earlier(self) -> date:
        """The Monday before."""
        return self.week.monday - timedelta(days=7)

    @property
    def later(self) -> date | None:
        """The Monday after, None if it has not begun."""
        return self.week.monday + timedelta(days=7) if self.week.is_over else None


def week_page(session: Session, plant: PlantView, day: date | None, now: datetime) -> WeekPage:
    """The review of the week that holds a day.

    Args:
        session: an open session.
        plant: for its clock.
        day: any day of the week; None: of the last week that has ended.
        now: UTC.

    Returns:
        A fixed number of statements. A day ahead is in the present week.

    Raises:
        TracelogError: the day lies long before any plant; at the field ``from``.
    """
    if day is not None and day < EARLIEST:
        raise TracelogError(_("'%(day)s' is out of range; give a day since 1900", day=day), "from")
    chosen = min(day or last_week(plant.zone, now), day_of(now, plant.zone))
    week = week_of(chosen, plant.zone, now)
    places = directory(session)
    found = gather(session, plant, week, now)
    every = series_of(places, found)
    titles = {kind.defect: kind.title for kind in vocabulary(session)}
    told = moved(session, places, week.start, week.until, {})
    overdue_then = {
        (one.machine.id, one.level.service)
        for one in service_standings(session, week.start, ahead=False)
        if one.is_overdue
    }
    overdue = [one.standing for one in told.due if one.is_overdue]
    fell_due = [one for one in overdue if (one.machine.id, one.level.service) not in overdue_then]
    silent = [
        (places.by_id[machine].text, found.spans[machine].last_at)
        for machine in found.silent
        if machine in places.by_id
    ]
    silent.sort(key=lambda one: (one[1], one[0]))
    fell_silent = [one for one in silent if one[1] >= week.start - timedelta(hours=24)]
    facts = [
        *([silent_item(fell_silent, plant.zone)] if fell_silent else []),
        *([overdue_item(fell_due, len(overdue))] if fell_due else []),
    ]
    changed = changed_most(every)[: MOST_NAMED - len(facts)]
    return WeekPage(
        week=week,
        counted_until=found.counted_until,
        items=(*facts, *(said(one, titles, week, places.line_names) for one in changed)),
        compared=sum(1 for one in every if one.exposure > 0 and sum(one.exposures_before) > 0),
        lines=tuple(_lines(places, found, every)),
        moved=told,
        services=tuple(
            one
            for one in services_done(session, week.until, since=week.start, plant=places)
            if one.done_at < week.end
        ),
        overdue=len(overdue),
        silent=tuple(silent),
        questions=tuple(
            (places.by_id[one.machine_id].text, one)
            for one in open_questions(session, as_of=week.until)
        ),
    )


def _lines(places: Directory, found: Evidence, every: Sequence[Series]) -> list[LineWeek]:
    of = {(one.of, one.place): one for one in every if one.of is not Of.DEFECT}
    told = []
    for line in places.lines:
        mine = [
            row for row in found.counts if row.line == line and row.bucket_start == found.week.start
        ]
        ids = [one.id for one in places.bodymakers if one.line == line]
        strokes, cans = (
            sum(found.strokes.get((one, found.week.start), 0) for one in ids),
            sum(row.cans for row in mine),
        )
        known = [n for n in of[Of.SPOILAGE, str(line)].exposures_before if n > 0]
        usual_cans = sum(of[Of.SPOILAGE, str(line)].counts_before)
        told.append(
            LineWeek(
                line,
                places.line_names[line],
                strokes,
                sum(known) / len(known) if known else None,
                sum(row.entries for row in mine),
                cans,
                1e6 * cans / strokes if strokes else None,
                1e6 * usual_cans / sum(known) if known else None,
            )
        )
    return told
