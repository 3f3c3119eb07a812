"""Reads of what lies between one entry and the next: the points of charts for rare events."""

from collections import defaultdict
from dataclasses import replace
from datetime import datetime
from itertools import pairwise

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryKind, entries
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trends.points import PointEvidence
from tracelog.trends.queries import entry_filter, machines_in_scope
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.series.choosing import MOST_GAPS


def gap_evidence(session: Session, places: Directory, asked: ChartQuestion) -> list[PointEvidence]:
    """Strokes between each entry from production and the one before, in order of time.

    A point goes from one entry to the next, its exposure is the strokes of all machines in scope
    between them. The first entry of the period only opens the first gap. Entries of several
    occurrences are one point. A fixed number of statements.

    Raises:
        TracelogError: too many entries, told at ``chart``.
    """
    wanted = replace(entry_filter(asked), kind=EntryKind.PRODUCTION)
    found = entries(session, wanted, limit=MOST_GAPS + 2).rows
    if len(found) > MOST_GAPS + 1:
        raise TracelogError(
            _(
                "more than %(most)d entries, too many for one point each; choose u or a shorter"
                " period",
                most=MOST_GAPS,
            ),
            "chart",
        )
    seen = [row for row in reversed(found) if row.counted_occurrences > 0]
    steps = list(pairwise(row.occurred_at for row in seen))
    strokes = _strokes(session, places, asked, steps)
    return [
        PointEvidence(before.occurred_at, row.occurred_at, 1, made, row.id)
        for (before, row), made in zip(pairwise(seen), strokes, strict=True)
    ]


def _strokes(
    session: Session,
    places: Directory,
    asked: ChartQuestion,
    steps: list[tuple[datetime, datetime]],
) -> list[int]:
    """Strokes of all machines in scope in each step."""
    machines = sorted(machines_in_scope(places, asked))
    spans = [Span(machine, *step) for step in steps for machine in machines]
    made: dict[int, int] = defaultdict(int)
    for place, strokes in enumerate(strokes_between(session, spans, asked.as_of)):
        made[place // len(machines)] += strokes
    return [made[place] for place in range(len(steps))]
