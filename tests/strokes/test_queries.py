"""Reads of strokes: exact at hour edges, additive, and as of any instant."""

import uuid
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from tests.strokes.counters import ACTOR, NOW, make_plant, reading
from tests.support.statements import Statements
from tracelog.buckets import Bucket, periods
from tracelog.instants import start_of_day
from tracelog.plant.rules import ShiftRota, ShiftRule
from tracelog.strokes.actions import record_readings
from tracelog.strokes.queries import (
    Span,
    last_reading,
    machine_span,
    open_questions,
    recent_rate,
    strokes_between,
    strokes_by_bucket,
    strokes_by_machine,
    total_at,
)
from tracelog.strokes.rules import CounterLimits

MADRID = ZoneInfo("Europe/Madrid")
SHIFTS = (ShiftRule(0, "day", time(6)), ShiftRule(1, "night", time(18)))
ROTA = ShiftRota(MADRID, SHIFTS, date(2026, 1, 5), ())
# On the 29th the clock is put forward; readings begin at 22:30 of the plant's clock before.
FIRST = datetime(2026, 3, 27, 21, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)
HOURS = 100
PER_HOUR = 18_000


@pytest.fixture
def machines(session: Session) -> dict[int, uuid.UUID]:
    """Machine 1 runs evenly for 100 hours; 2 for half as long; 3 was never read."""
    numbers = make_plant(session, "Europe/Madrid", dict.fromkeys((1, 2, 3), CounterLimits()))
    facts = [reading(1, FIRST + n * HOUR, 500 + n * PER_HOUR) for n in range(HOURS + 1)]
    facts += [reading(2, FIRST + n * HOUR, n * 6_000) for n in range(HOURS // 2 + 1)]
    record_readings(session, facts, ACTOR, NOW)
    return numbers


def test_strokes_between_counts_each_span_for_itself(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    end = FIRST + HOURS * HOUR
    spans = [
        Span(machines[1], FIRST + 10 * HOUR, FIRST + 12 * HOUR),
        Span(machines[1], FIRST + timedelta(minutes=40), FIRST + timedelta(minutes=50)),
        Span(machines[1], FIRST, None),
        Span(machines[2], FIRST - 50 * HOUR, end + 50 * HOUR),
        Span(machines[1], end - HOUR, end + 50 * HOUR),
        Span(machines[3], FIRST, None),
        Span(machines[1], end + HOUR, None),
        Span(machines[1], FIRST + 2 * HOUR, FIRST + HOUR),
        Span(uuid.uuid4(), FIRST, None),
    ]
    assert strokes_between(session, spans) == [
        2 * PER_HOUR,
        PER_HOUR // 6,
        HOURS * PER_HOUR,
        HOURS // 2 * 6_000,
        PER_HOUR,
        0,
        0,
        0,
        0,
    ]
    assert strokes_between(session, []) == []


def test_adjoining_spans_add_up_exactly(session: Session, machines: dict[int, uuid.UUID]) -> None:
    cuts = [FIRST + timedelta(seconds=997 * n) for n in range(400)]
    spans = [Span(machines[1], a, b) for a, b in pairwise(cuts)]
    whole = Span(machines[1], cuts[0], cuts[-1])
    assert sum(strokes_between(session, spans)) == strokes_between(session, [whole])[0]


def test_the_last_hour_counts_wholly_up_to_the_last_reading(session: Session) -> None:
    numbers = make_plant(session, "Europe/Madrid", {1: CounterLimits()})
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)
    facts = [reading(1, start, 0), reading(1, start + timedelta(minutes=6), 1_200)]
    record_readings(session, facts, ACTOR, NOW)
    at = {
        m: total_at(session, [numbers[1]], start + timedelta(minutes=m))[numbers[1]]
        for m in (3, 6, 9)
    }
    assert at == {3: 600, 6: 1_200, 9: 1_200}


def test_total_at_counts_from_the_first_reading(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    found = total_at(session, list(machines.values()), FIRST + timedelta(hours=60, minutes=30))
    assert found == {
        machines[1]: 60 * PER_HOUR + PER_HOUR // 2,
        machines[2]: 50 * 6_000,
        machines[3]: 0,
    }


def test_strokes_by_machine_names_those_that_were_read(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    found = strokes_by_machine(session, FIRST + 40 * HOUR, FIRST + 60 * HOUR)
    assert found == {machines[1]: 20 * PER_HOUR, machines[2]: 10 * 6_000}


def test_days_are_those_of_the_plants_clock(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    found = strokes_by_bucket(
        session, [machines[1]], FIRST - 99 * HOUR, FIRST + 2 * HOURS * HOUR, Bucket.DAY
    )
    assert [row.bucket_start for row in found] == [
        start_of_day(date(2026, 3, 27) + timedelta(days=n), MADRID) for n in range(6)
    ]
    # 22:30 to midnight; a day of 24 hours; the day that is an hour short; …
    assert [row.strokes for row in found] == [
        int(1.5 * PER_HOUR),
        24 * PER_HOUR,
        23 * PER_HOUR,
        24 * PER_HOUR,
        24 * PER_HOUR,
        int(3.5 * PER_HOUR),
    ]


@pytest.mark.parametrize("bucket", list(Bucket))
def test_buckets_add_up_to_the_whole(
    session: Session, machines: dict[int, uuid.UUID], bucket: Bucket
) -> None:
    start, end = FIRST + timedelta(minutes=100), FIRST + timedelta(hours=90, seconds=7)
    found = strokes_by_bucket(session, None, start, end, bucket, rota=ROTA)
    assert {row.machine_id for row in found} == {machines[1], machines[2]}
    spans = [Span(machines[n], start, end) for n in (1, 2)]
    totals = [sum(r.strokes for r in found if r.machine_id == machines[n]) for n in (1, 2)]
    assert totals == strokes_between(session, spans)


def test_buckets_before_the_first_and_after_the_last_reading_are_left_out(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    found = strokes_by_bucket(
        session,
        [machines[2], machines[3]],
        FIRST - 99 * HOUR,
        FIRST + 500 * HOUR,
        Bucket.SHIFT,
        rota=ROTA,
    )
    assert found[0].bucket_start == datetime(2026, 3, 27, 17, tzinfo=UTC)
    assert found[-1].bucket_start == datetime(2026, 3, 29, 16, tzinfo=UTC)
    assert len(found) == 5
    assert {row.machine_id for row in found} == {machines[2]}


def test_the_night_in_which_the_clock_is_put_forward_is_an_hour_short(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    night = datetime(2026, 3, 28, 17, tzinfo=UTC)
    (found,) = strokes_by_bucket(
        session, [machines[1]], night, night + 11 * HOUR, Bucket.SHIFT, rota=ROTA
    )
    assert (found.bucket_start, found.strokes) == (night, 11 * PER_HOUR)


@pytest.mark.parametrize(
    ("bucket", "expected"),
    [
        (Bucket.WEEK, ["2026-03-23", "2026-03-30", "2026-04-06"]),
        (Bucket.MONTH, ["2026-03-01", "2026-04-01", "2026-05-01"]),
        (Bucket.QUARTER, ["2026-01-01", "2026-04-01", "2026-07-01"]),
    ],
)
def test_longer_buckets_begin_with_the_calendars(bucket: Bucket, expected: list[str]) -> None:
    found = periods(bucket, FIRST, FIRST + 5 * 24 * HOUR, MADRID, ROTA)
    edges = [one.start for one in found] + [found[-1].end]
    assert edges == [start_of_day(date.fromisoformat(day), MADRID) for day in expected]


def test_recent_rate_counts_the_time_in_which_the_counter_was_read(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    ids = list(machines.values())
    late = [(machine, FIRST + 500 * HOUR) for machine in ids]
    assert recent_rate(session, late) == [24 * PER_HOUR, 24 * 6_000, None]
    assert recent_rate(session, [(one, FIRST + 60 * HOUR) for one in ids], days=1) == [
        24 * PER_HOUR,
        24 * 6_000,
        None,
    ]
    assert recent_rate(session, late, days=7) == [None] * 3
    asked = [(ids[1], FIRST + n * HOUR) for n in (0, 10, 90)]
    assert recent_rate(session, asked, as_of=FIRST + 5 * HOUR) == [None, 24 * 6_000, 24 * 6_000]


def test_last_reading_gives_the_raw_figure(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    found = last_reading(session)
    assert set(found) == {machines[1], machines[2]}
    assert (found[machines[1]].read_at, found[machines[1]].strokes) == (
        FIRST + HOURS * HOUR,
        500 + HOURS * PER_HOUR,
    )
    then = last_reading(session, [machines[1]], as_of=FIRST + timedelta(minutes=90))
    assert (then[machines[1]].read_at, then[machines[1]].strokes) == (FIRST + HOUR, 500 + PER_HOUR)


def test_machine_span_is_first_and_last_reading(
    session: Session, machines: dict[int, uuid.UUID]
) -> None:
    found = machine_span(session, [machines[2], machines[3]])
    assert set(found) == {machines[2]}
    span = found[machines[2]]
    assert (span.first_at, span.last_at) == (FIRST, FIRST + HOURS // 2 * HOUR)
    assert span.strokes == 300_000


STATEMENTS = [
    (lambda session, ids: strokes_between(session, _spans(ids)), 5),
    (lambda session, ids: total_at(session, ids, FIRST + 3 * HOUR), 5),
    (lambda session, ids: strokes_by_machine(session, FIRST + HOUR, FIRST + 9 * HOUR), 5),
    (lambda session, ids: strokes_by_bucket(session, ids, FIRST, FIRST + 90 * HOUR, Bucket.DAY), 5),
    (
        lambda session, ids: strokes_by_bucket(
            session, ids, FIRST, FIRST + 90 * HOUR, Bucket.HOUR, rota=ROTA
        ),
        2,
    ),
    (lambda session, ids: recent_rate(session, [(m, FIRST + 99 * HOUR) for m in ids], days=2), 5),
    (lambda session, ids: strokes_between(session, _spans(ids), FIRST + 20 * HOUR), 13),
    (last_reading, 1),
    (machine_span, 4),
    (lambda session, ids: open_questions(session), 1),
]


def _spans(ids: list[uuid.UUID]) -> list[Span]:
    return [
        Span(machine, FIRST + timedelta(minutes=7 * n), FIRST + timedelta(minutes=9 * n + 60))
        for machine in ids
        for n in range(600)
    ]


@pytest.mark.parametrize(("query", "most"), STATEMENTS)
def test_the_number_of_statements_is_fixed(
    session: Session, machines: dict[int, uuid.UUID], statements: Statements, query, most: int
) -> None:
    with statements.counted() as few:
        query(session, [machines[1]])
    with statements.counted() as many:
        query(session, list(machines.values()))
    assert len(few) == len(many) <= most


def test_as_of_an_instant_inside_an_hour_nothing_later_in_the_hour_counts(
    session: Session,
) -> None:
    numbers = make_plant(session, "Europe/Madrid", {1: CounterLimits()})
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)
    shown = {0: 0, 20: 2_000, 40: 12_000}
    facts = [reading(1, start + timedelta(minutes=at), n) for at, n in shown.items()]
    record_readings(session, facts, ACTOR, NOW)
    as_of = start + timedelta(minutes=30)
    ten, later = start + timedelta(minutes=10), start + timedelta(minutes=50)
    assert strokes_between(session, [Span(numbers[1], ten, later)], as_of) == [1_000]
    assert strokes_between(session, [Span(numbers[1], ten, later)]) == [9_000]
