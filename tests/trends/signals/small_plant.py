"""Sixty days of three machines on the hand-made plant: splits of 1-2 rise on day 40.

Invented: on every machine about one split and one wrinkle in two days; some are logged late.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, AN_HOUR, ZONE, hour, kept
from tracelog.defects.actions import log_entries
from tracelog.defects.facts import EntryFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

DAYS, RISES = 60, 40


@dataclass(frozen=True)
class Day:
    """What is known at the end of a day and was not at its start."""

    ends_at: datetime
    readings: list[ReadingFact]
    entries: list[EntryFact]


def days() -> Iterator[Day]:
    """Day after day; entries come when they were logged."""
    random = np.random.default_rng(17)
    rows: list[tuple[float, dict[str, Any]]] = []
    for line, number in AN_HOUR:
        for defect in ("split", "wrinkle"):
            for day in range(DAYS):
                often = 0.5
                if (line, number, defect) == (1, 2, "split") and day >= RISES:
                    often = 4.0
                for _one in range(random.poisson(often)):
                    at = 24 * (day + random.random())
                    late = random.exponential(2.0) if random.random() < 0.9 else 30.0
                    values = {"seen_at": hour(at), "dome_code": f"{line}-{number}", "cans": 1}
                    logged = {"defect": defect, "logged_at": hour(at + late)}
                    rows.append((at + late, values | logged))
    rows.sort(key=lambda row: row[0])
    for day in range(DAYS):
        low, high = 24 * day, 24 * (day + 1)
        readings = [
            ReadingFact(line=line, bodymaker=number, read_at=hour(at), strokes=at * made)
            for (line, number), made in AN_HOUR.items()
            for at in range(low if day == 0 else low + 6, high + 1, 6)
        ]
        entries = [EntryFact.read(row, ZONE) for at, row in rows if low < at <= high]
        yield Day(hour(high), readings, entries)


def write_day(session: Session, day: Day) -> None:
    """Keep what a day brought."""
    kept(record_readings(session, day.readings, ACTOR, day.ends_at))
    if day.entries:
        kept(log_entries(session, day.entries, ACTOR, day.ends_at))


@recorded
def write_all(session: Session) -> None:
    """The plant with all its days."""
    plant.write_plant(session)
    every = list(days())
    whole = Day(
        every[-1].ends_at,
        [reading for day in every for reading in day.readings],
        [entry for day in every for entry in day.entries],
    )
    write_day(session, whole)
