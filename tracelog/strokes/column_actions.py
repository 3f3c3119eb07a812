"""Writes of many readings at once, that come as columns: from files of millions of rows."""

import uuid
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from tracelog.audit import Actor, take_turn
from tracelog.bulk import pieces
from tracelog.errors import UnknownReference
from tracelog.facts import LARGEST_COUNT
from tracelog.outcomes import CREATED, UNCHANGED
from tracelog.plant.queries import Directory, MachineView, directory
from tracelog.strokes.actions import READING_COLUMNS, Batch
from tracelog.strokes.bounds import reading_ends
from tracelog.strokes.hours import instant, microseconds
from tracelog.strokes.reading_actions import FreshReadings, write_readings
from tracelog.strokes.reading_columns import ManyOutcomes, Marks, ReadingColumns, found_twice
from tracelog.strokes.retired import retired_until
from tracelog.strokes.rules import CLOCKS_DIFFER, Whole
from tracelog.strokes.timelines import Ends, Window, accepted_at, figures

# The rows on record of so many machines are compared at once.
_MACHINES_AT_ONCE = 16


def record_reading_columns(
    session: Session, columns: ReadingColumns, actor: Actor, now: datetime
) -> ManyOutcomes:
    """As `record_readings`, for readings that come as columns: many times faster.

    What is plain about them is decided for all at once. The rest (unknown machines, contradictions,
    repeats, figures or instants that cannot be) goes the way of single facts.
    """
    take_turn(session)
    known = directory(session)
    numbers, which = columns.machines()
    machines = [_bodymaker(known, line, number) for line, number in numbers]
    ends = reading_ends(session, [one.id for one in machines if one])
    order = np.lexsort((columns.read_at, which))
    there, contradicts = _compared(session, columns, machines, (which, order), ends)
    last = np.array([_last_figure(one) for one in machines])
    odd = contradicts | found_twice(which, columns.read_at, order)
    odd |= columns.read_at > microseconds(now + CLOCKS_DIFFER)
    odd |= columns.strokes > last[which]
    retired = retired_until(session)
    odd |= columns.read_at < microseconds(retired)
    odd &= ~there
    places = np.flatnonzero(odd).tolist()
    batch = Batch(known, [columns.fact(place) for place in places], now, retired)
    batch.judge(accepted_at(session, READING_COLUMNS, batch.instants(), ends))
    became = dict(zip(places, batch.outcomes, strict=True))
    is_new = ~(there | odd)
    is_new[[place for place, outcome in became.items() if outcome is CREATED]] = True
    told = ManyOutcomes(
        int(is_new.sum()),
        int(there.sum()) + sum(outcome is UNCHANGED for outcome in became.values()),
        {place: outcome for place, outcome in became.items() if not outcome.is_kept},
    )
    chosen = order[is_new[order]]
    if len(chosen):
        # A machine that is not known has no row among the chosen, but keeps its place.
        found = [one or next(filter(None, machines)) for one in machines]
        fresh = FreshReadings(
            found, which[chosen], columns.read_at[chosen], columns.strokes[chosen]
        )
        write_readings(session, fresh, told.counts(), ends, known, (actor, now))
    return told


def _bodymaker(known: Directory, line: int, number: int) -> MachineView | None:
    try:
        return known.bodymaker(line, number)
    except UnknownReference:
        return None


def _last_figure(machine: MachineView | None) -> int:
    """The counter's last figure; of a machine that is not known none can be right."""
    if machine is None:
        return -1
    return LARGEST_COUNT if machine.counter_max is None else machine.counter_max


def _compared(
    session: Session,
    columns: ReadingColumns,
    machines: Sequence[MachineView | None],
    sorted_rows: tuple[Whole, Whole],
    ends: Ends,
) -> tuple[Marks, Marks]:
    """Marks rows that are on record as they are, and rows that contradict what is on record."""
    which, order = sorted_rows
    there, contradicts = np.zeros((2, len(columns)), dtype=np.bool_)
    cuts = np.searchsorted(which[order], np.arange(len(machines) + 1)).tolist()
    asked: dict[uuid.UUID, Whole] = {}
    for machine, start, end in zip(machines, cuts, cuts[1:], strict=False):
        if machine is not None and machine.id in ends:
            own = order[start:end]
            first, last = map(microseconds, ends[machine.id])
            between = (columns.read_at[own] >= first) & (columns.read_at[own] <= last)
            if between.any():
                asked[machine.id] = own[between]
    windows = [
        Window(machine, *(instant(int(columns.read_at[own[end]])) for end in (0, -1)))
        for machine, own in asked.items()
    ]
    for part in pieces(windows, _MACHINES_AT_ONCE):
        for machine_id, shown in figures(session, part).items():
            own = asked[machine_id]
            if not len(shown.read_at):
                continue
            places = np.searchsorted(shown.read_at, columns.read_at[own])
            places = np.minimum(places, len(shown.read_at) - 1)
            known = shown.read_at[places] == columns.read_at[own]
            alike = shown.strokes[places] == columns.strokes[own]
            there[own[known & alike]] = True
            contradicts[own[known & ~alike]] = True
    return there, contradicts
