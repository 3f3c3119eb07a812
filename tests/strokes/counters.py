"""Makes a small plant with counters, and counts strokes the slow and plain way."""

import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.instants import hour_of, next_hour
from tracelog.plant.models import Line, Machine, Plant
from tracelog.strokes.facts import CounterEventFact, CounterSettlementFact, ReadingFact, Verdict
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import CounterQuestion, StrokeHour
from tracelog.strokes.rules import CounterLimits, Timeline

ACTOR = Actor("Robin", "planner", "page")
# Later than anything that counters show in these tests.
NOW = datetime(2026, 6, 4, 9, 30, tzinfo=UTC)
UTC_ZONE = ZoneInfo("UTC")

Figures = Iterable[tuple[datetime, int]]
Question = tuple[datetime, datetime, int, int]


@contextmanager
def undone(engine: Engine) -> Iterator[Session]:
    """A session whose work is rolled back; for tests that need a fresh one per example."""
    with engine.connect() as connection:
        outer = connection.begin()
        with Session(bind=connection, join_transaction_mode="create_savepoint") as session:
            yield session
        outer.rollback()


def make_plant(
    session: Session, zone: str, machines: Mapping[int, CounterLimits]
) -> dict[int, uuid.UUID]:
    """A plant with one line and these bodymakers; their ids by number."""
    plant = Plant(name="Alder Point", time_zone=zone)
    session.add(plant)
    session.flush()
    line = Line(plant_id=plant.id, line=1)
    session.add(line)
    session.flush()
    made = {
        number: Machine(
            line_id=line.id,
            station="bodymaker",
            number=number,
            counter_max=limits.counter_max,
            rated_spm=limits.rated_spm,
        )
        for number, limits in machines.items()
    }
    session.add_all(made.values())
    session.flush()
    return {number: machine.id for number, machine in made.items()}


def reading(number: int, at: datetime | str, strokes: int) -> ReadingFact:
    """A reading of bodymaker `number` of line 1."""
    values = {"line": 1, "bodymaker": number, "read_at": at, "strokes": strokes}
    return ReadingFact.read(values, UTC_ZONE)


def counter_event(
    number: int, at: datetime | str, strokes_after: int, event: str = "reset"
) -> CounterEventFact:
    """A counter event of bodymaker `number` of line 1."""
    values = {"line": 1, "bodymaker": number, "at": at, "event": event}
    return CounterEventFact.read({**values, "strokes_after": strokes_after}, UTC_ZONE)


def settlement(
    number: int,
    to_at: datetime | str,
    made: tuple[datetime | str, int] | None = None,
    verdict: str = "made",
    settled_at: datetime | str = NOW,
) -> CounterSettlementFact:
    """What was decided on the reading of bodymaker `number` at `to_at`.

    `made` is where its stretch began, and the strokes that were made in it.
    """
    values = {"line": 1, "bodymaker": number, "to_at": to_at, "settled_at": settled_at}
    from_at, strokes = made or (None, None)
    more = {"verdict": verdict, "from_at": from_at, "strokes": strokes}
    return CounterSettlementFact.read({**values, **more}, UTC_ZONE)


def hours_of(
    session: Session, machine_id: uuid.UUID, start: datetime, end: datetime
) -> list[StrokeHour]:
    """The hours of a machine that begin in [start, end), in order of time."""
    hour = StrokeHour
    asked = select(hour).where(
        hour.machine_id == machine_id, hour.hour_at >= start, hour.hour_at < end
    )
    session.expire_all()
    return list(session.execute(asked.order_by(hour.hour_at)).scalars())


def timeline(readings: Figures, events: Figures = ()) -> Timeline:
    """Arrays of readings and events, from instants and figures in any order."""
    shown, done = sorted(readings), sorted(events)
    return Timeline(
        *(
            np.array(values, dtype=np.int64)
            for values in (
                [microseconds(at) for at, _ in shown],
                [strokes for _, strokes in shown],
                [microseconds(at) for at, _ in done],
                [strokes for _, strokes in done],
            )
        )
    )


def derived(session: Session) -> tuple[list[object], list[object]]:
    """All rows of the derived tables, in order."""
    hour, question = StrokeHour, CounterQuestion
    hours = session.execute(
        select(hour.machine_id, hour.hour_at, hour.strokes, hour.total_before).order_by(
            hour.machine_id, hour.hour_at
        )
    )
    questions = session.execute(
        select(
            question.machine_id,
            question.from_at,
            question.to_at,
            question.from_strokes,
            question.to_strokes,
        ).order_by(question.machine_id, question.to_at)
    )
    return list(hours.all()), list(questions.all())


@dataclass(frozen=True)
class Counted:
    """What the slow way gives: accepted (from, to, strokes), and questions."""

    accepted: list[tuple[datetime, datetime, int]]
    questions: list[Question]

    @property
    def total(self) -> int:
        """All counted strokes."""
        return sum(strokes for _, _, strokes in self.accepted)


def count_slowly(
    readings: Figures,
    events: Figures,
    limits: CounterLimits,
    settlements: Iterable[CounterSettlementFact] = (),
) -> Counted:
    """The rules of counting, one reading after the other, in fractions."""
    standing = {one.to_at: one for one in sorted(settlements, key=lambda one: one.settled_at)}
    misread = {at for at, one in standing.items() if one.verdict is Verdict.MISREAD}
    readings = [(at, strokes) for at, strokes in readings if at not in misread]
    found = Counted([], [])
    previous: tuple[datetime, int] | None = None
    for at, strokes in sorted(readings):
        meanwhile = [
            (event_at, figure)
            for event_at, figure in sorted(events)
            if (event_at == at if previous is None else previous[0] < event_at <= at)
        ]
        start = meanwhile[-1] if meanwhile else previous
        if start is not None:
            said = standing.get(at)
            made = _made(start, (at, strokes), limits)
            if said and said.verdict is Verdict.MADE and said.from_at == start[0]:
                made = said.strokes
            if made is None:
                found.questions.append((start[0], at, start[1], strokes))
            else:
                found.accepted.append((start[0], at, made))
        previous = (at, strokes)
    return found


def _made(
    start: tuple[datetime, int], end: tuple[datetime, int], limits: CounterLimits
) -> int | None:
    minutes = Fraction((end[0] - start[0]) // timedelta(microseconds=1), 60_000_000)
    spm = Fraction(limits.rated_spm or 500)
    last = limits.counter_max
    gained = end[1] - start[1]
    if minutes == 0:
        return 0 if gained == 0 else None
    if last is not None and max(start[1], end[1]) > last:
        return None
    if gained >= 0:
        return gained if gained <= spm * 3 * minutes + spm * 5 else None
    if last is None:
        return None
    turned = last + 1 + gained
    return turned if turned <= spm * Fraction(5, 4) * minutes + spm * 2 else None


def spread_slowly(
    accepted: Sequence[tuple[datetime, datetime, int]], zone: ZoneInfo
) -> dict[datetime, int]:
    """Strokes per clock hour, by cumulative floors, one hour after the other."""
    hours: dict[datetime, int] = {}
    for start, end, made in accepted:
        at, given = start, 0
        while at < end:
            ahead = min(next_hour(at, zone), end)
            passed = (ahead - start) // timedelta(microseconds=1)
            until = made * passed // ((end - start) // timedelta(microseconds=1))
            hour = hour_of(at, zone)
            hours[hour] = hours.get(hour, 0) + until - given
            at, given = ahead, until
    return hours
