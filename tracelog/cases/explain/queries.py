"""Reads of what explanations rest on. A fixed number of statements, whatever is asked."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.cases.explain.evidence import Entries, Evidence, Labels, Stays
from tracelog.cases.explain.marks import marks_of
from tracelog.cases.explain.questions import HISTORY, ExplainQuestion
from tracelog.cases.explain.stays import made_before, stays_until_next, worn_before
from tracelog.db_time import WholeSeconds
from tracelog.defects.marks import normal_mark
from tracelog.defects.models import CurrentEntry
from tracelog.defects.selecting import (
    Choice,
    EntryFilter,
    EntryKind,
    rows_as_of,
    surroundings,
    unaltered,
)
from tracelog.instants import write_instant
from tracelog.plant.part_queries import station_parts
from tracelog.plant.queries import BODYMAKER, Directory, MachineView, PlantView
from tracelog.plant.rules import ShiftNow, shifts_between
from tracelog.plant.stays import changes_between, coil_stays, tool_stays
from tracelog.plant.tool_queries import works_done
from tracelog.service.records import levels, services_done
from tracelog.stats.inputs import FloatArray, IntArray
from tracelog.strokes.at_instants import totals_in
from tracelog.strokes.hours import MICROSECOND, hour_starts, instant, microseconds

_NAMES = (
    *("machine_id", "defect_id", "occurred_at", "made_at", "found_at"),
    *("counted_occurrences", "cans", "mark"),
)
# Hours of the day that are told apart, as bands of so many.
HOURS_A_BAND = 4


@dataclass(frozen=True)
class Frame:
    """The pieces of time into which the period and what lies before it are cut.

    `edges` in microseconds since 1970; `machines` in order.
    """

    asked: ExplainQuestion
    plant: PlantView
    machines: tuple[MachineView, ...]
    edges: IntArray

    @property
    def seconds(self) -> FloatArray:
        """The edges in seconds since 1970."""
        return self.edges / 1e6

    @property
    def first(self) -> datetime:
        """Where what is known begins."""
        return instant(int(self.edges[0]))

    @property
    def place_of(self) -> dict[uuid.UUID, int]:
        """Places of the machines by id."""
        return {machine.id: place for place, machine in enumerate(self.machines)}

    def on_line(self, line_id: uuid.UUID) -> list[int]:
        """Places of the machines of a line."""
        return [place for place, machine in enumerate(self.machines) if machine.line_id == line_id]


def read_evidence(
    session: Session, plant: PlantView, places: Directory, asked: ExplainQuestion
) -> Evidence:
    """All that is weighed about a question.

    Args:
        session: an open session.
        plant, places: as read.
        asked: which defect and period; half a year before it is read to learn what is usual.

    Returns:
        Evidence; sixteen statements beside those of strokes, whatever is asked.
    """
    frame = _frame(plant, places, asked)
    totals = totals_in(
        session, [one.id for one in frame.machines], frame.first, asked.end, asked.as_of
    )
    strokes = np.stack(
        [totals.strokes(one.id, frame.edges).astype(np.float64) for one in frame.machines]
    )
    lines = sorted({machine.line for machine in frame.machines})
    found = list(shifts_between(plant.rota, frame.first, asked.end))
    crews, shifts = _shifts(frame, found)
    hours = _hours(frame)
    entries, stations, others, noted = _entries(session, frame)
    line_of = np.array([lines.index(machine.line) for machine in frame.machines], dtype=np.intp)
    return Evidence(
        machines=tuple(machine.text for machine in frame.machines),
        line_of=line_of,
        lines=tuple(str(line) for line in lines),
        edges=frame.seconds,
        start=microseconds(asked.start) / 1e6,
        strokes=strokes,
        day=_days(frame, found),
        crews=crews,
        shifts=shifts,
        hours=hours,
        others=others,
        entries=entries,
        stations=stations,
        tools=_tools(session, frame, strokes),
        coils=_coils(session, frame),
        changes=_changes(session, frame),
        services=_services(session, frame, places),
        marks=marks_of(entries.machine, line_of, noted, _parts(session, lines)),
    )


def _frame(plant: PlantView, places: Directory, asked: ExplainQuestion) -> Frame:
    first = asked.start - HISTORY
    starts = hour_starts(first, asked.end - MICROSECOND, plant.zone)
    shifts = [microseconds(one.started_at) for one in shifts_between(plant.rota, first, asked.end)]
    ends = [microseconds(moment) for moment in (first, asked.start, asked.end)]
    edges = np.unique(np.r_[starts, np.array(shifts, dtype=np.int64), ends])
    inside = edges[(edges >= ends[0]) & (edges <= ends[2])]
    return Frame(asked, plant, places.bodymakers, inside)


def _shift_of(frame: Frame, found: Sequence[ShiftNow]) -> IntArray:
    """Which shift each piece of time belongs to, -1: none."""
    starts = np.array([microseconds(one.started_at) for one in found], dtype=np.int64)
    return np.searchsorted(starts, frame.edges[:-1], side="right") - 1


def _shifts(frame: Frame, found: Sequence[ShiftNow]) -> tuple[Labels, Labels]:
    place = _shift_of(frame, found)

    def labels(words: list[str | None]) -> Labels:
        names = tuple(sorted({word for word in words if word is not None}))
        if not names:
            return Labels((), np.full(len(place), -1, dtype=np.intp))
        of = np.array([-1 if word is None else names.index(word) for word in words], dtype=np.intp)
        return Labels(names, np.where(place >= 0, of[np.maximum(place, 0)], -1))

    return labels([one.crew for one in found]), labels([one.shift for one in found])


def _hours(frame: Frame) -> Labels:
    """Bands of hours by the plant's clock."""
    zone = frame.plant.zone
    bands = 24 // HOURS_A_BAND
    names = tuple(
        f"{HOURS_A_BAND * band:02d}-{HOURS_A_BAND * (band + 1):02d}" for band in range(bands)
    )
    hours = [instant(int(edge)).astimezone(zone).hour for edge in frame.edges[:-1]]
    return Labels(names, np.array(hours, dtype=np.intp) // HOURS_A_BAND)


def _days(frame: Frame, found: Sequence[ShiftNow]) -> IntArray:
    """The plant's day of each piece of time: that on which its shift began."""
    if found:
        days = np.array([one.day.toordinal() for one in found])
        of_piece = days[np.maximum(_shift_of(frame, found), 0)]
    else:
        zone = frame.plant.zone
        of_piece = np.array(
            [instant(int(edge)).astimezone(zone).toordinal() for edge in frame.edges[:-1]]
        )
    return np.unique(of_piece, return_inverse=True)[1].astype(np.intp)


def _parts(session: Session, lines: list[int]) -> dict[tuple[int, str], int]:
    """How many of a part each line has, where one station alone has such parts."""
    found: dict[tuple[int, str], set[int]] = {}
    for one in station_parts(session):
        if one.line in lines and one.count:
            found.setdefault((lines.index(one.line), one.part), set()).add(one.count)
    return {key: min(counts) for key, counts in found.items() if len(counts) == 1}


def _entries(
    session: Session, frame: Frame
) -> tuple[Entries, tuple[str, ...], FloatArray, list[str | None]]:
    """Entries of the kind asked about, their stations, all others by time, and their marks."""
    asked = frame.asked
    around = surroundings(session, asked.as_of)
    chosen = EntryFilter(
        start=frame.first, end=asked.end, kind=EntryKind.PRODUCTION, as_of=asked.as_of
    )
    choice = Choice.of(chosen, around)
    where = [*choice.conditions(), *unaltered(asked.as_of)]
    own = around.ids.ids[asked.defect]
    columns = [getattr(CurrentEntry, name) for name in _NAMES]
    kept = session.execute(select(*columns).where(*where, CurrentEntry.defect_id == own))
    # Of the others, which are many, nothing else is asked.
    seconds = select(WholeSeconds(CurrentEntry.occurred_at)).where(
        *where, CurrentEntry.defect_id != own
    )
    others: list[float] = list(session.execute(seconds).scalars())
    of_kind: list[tuple[Any, ...]] = [tuple(row) for row in kept]
    for row in rows_as_of(session, choice, around):
        if row["defect_id"] == own:
            of_kind.append(tuple(row[name] for name in _NAMES))
        else:
            others.append(row["occurred_at"].timestamp())
    counts = np.histogram(np.array(others), frame.seconds)[0].astype(np.float64)
    entries, stations, noted = _of_kind(frame, of_kind)
    return entries, stations, counts, noted


def _of_kind(
    frame: Frame, rows: list[tuple[Any, ...]]
) -> tuple[Entries, tuple[str, ...], list[str | None]]:
    rows = sorted(rows, key=lambda row: (row[2], str(row[0]), row[5], row[6]))
    stations = tuple(sorted({row[4] for row in rows if row[4] is not None}))
    place_of, transit = frame.place_of, frame.plant.transit_minutes
    before = {name: made_before(name, transit) for name in (*stations, None)}
    at = [
        made_at.timestamp() if made_at is not None else occurred_at.timestamp() - before[found_at]
        for _machine, _defect, occurred_at, made_at, found_at, *_counts in rows
    ]
    return (
        Entries(
            np.array([place_of.get(row[0], -1) for row in rows], dtype=np.intp),
            np.array(at, dtype=np.float64),
            np.array([row[5] for row in rows], dtype=np.float64),
            np.array([row[6] for row in rows], dtype=np.float64),
            np.array(
                [-1 if row[4] is None else stations.index(row[4]) for row in rows], dtype=np.intp
            ),
        ),
        stations,
        [None if row[7] is None else normal_mark(row[7]) for row in rows],
    )


def _until(moment: datetime | None, frame: Frame) -> float:
    """An end in seconds; what is not over, or ends later, ends with the period."""
    end = frame.asked.end
    return (end if moment is None else min(moment, end)).timestamp()


def _tools(session: Session, frame: Frame, strokes: FloatArray) -> Stays:
    asked, place_of = frame.asked, frame.place_of
    stays = [
        stay
        for stay in tool_stays(session, frame.first, asked.end, as_of=asked.as_of)
        if stay.machine_id in place_of
    ]
    works = works_done(session, asked.end)
    names = sorted({stay.serial for stay in stays})
    owner = {name: number for number, name in enumerate(names)}
    position = {stay.serial: stay.position for stay in stays}
    found = Stays(
        tuple(names),
        tuple(position[name] for name in names),
        np.array([owner[stay.serial] for stay in stays], dtype=np.intp),
        np.array([place_of[stay.machine_id] for stay in stays], dtype=np.intp),
        np.array([stay.fitted_at.timestamp() for stay in stays], dtype=np.float64),
        np.array([_until(stay.removed_at, frame) for stay in stays], dtype=np.float64),
    )
    done = [(owner[one.serial], one.done_at.timestamp()) for one in works if one.serial in owner]
    return worn_before(found, done, frame.seconds, strokes)


def _coils(session: Session, frame: Frame) -> Stays:
    asked = frame.asked
    runs = coil_stays(session, asked.start, asked.end, as_of=asked.as_of)
    names = sorted({run.coil for run in runs})
    owner = {name: number for number, name in enumerate(names)}
    rows = [
        (owner[run.coil], machine, run.started_at.timestamp(), _until(run.ended_at, frame))
        for run in runs
        for machine in frame.on_line(run.line_id)
    ]
    return _stays(names, rows)


def _stays(names: list[str], rows: list[tuple[int, int, float, float]]) -> Stays:
    if not rows:
        return Stays()
    owner, machine, start, end = (np.array(column) for column in zip(*rows, strict=True))
    return Stays(tuple(names), (None,) * len(names), owner, machine, start, end)


def _changes(session: Session, frame: Frame) -> Stays:
    asked = frame.asked
    rows = []
    for change in changes_between(session, frame.first, asked.end - MICROSECOND):
        if change.machine_id is None:
            machines = frame.on_line(change.line_id)
            where = str(frame.machines[machines[0]].line) if machines else ""
        else:
            place = frame.place_of.get(change.machine_id)
            machines = [] if place is None else [place]
            where = frame.machines[place].text if place is not None else ""
        if machines:
            name = f"{change.kind} @ {where} @ {write_instant(change.at)}"
            rows.append(((change.kind, where), name, machines, change.at.timestamp()))
    return stays_until_next(rows, asked.end.timestamp())


def _services(session: Session, frame: Frame, places: Directory) -> Stays:
    """Services by machine and instant; of several levels at once the highest gives the name."""
    order = {
        one.service: (one.interval_strokes or 0, one.interval_days or 0)
        for one in levels(session)
        if one.station == BODYMAKER
    }
    highest: dict[tuple[int, datetime], str] = {}
    done = services_done(session, frame.asked.end - MICROSECOND, frame.first, plant=places)
    for one in sorted(done, key=lambda one: (order.get(one.service, (0, 0)), one.service)):
        place = frame.place_of.get(one.machine.id)
        if place is not None:
            highest[place, one.done_at] = one.service
    rows = [
        (
            machine,
            f"{service} @ {frame.machines[machine].text} @ {write_instant(at)}",
            [machine],
            at.timestamp(),
        )
        for (machine, at), service in highest.items()
    ]
    return stays_until_next(rows, frame.asked.end.timestamp())
