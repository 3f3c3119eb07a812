"""As of an instant: what would have been answered then, whatever came or was settled later."""

import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.strokes.counters import (
    ACTOR,
    NOW,
    counter_event,
    make_plant,
    reading,
    settlement,
    undone,
)
from tracelog.buckets import Bucket
from tracelog.plant.rules import ShiftRota, ShiftRule
from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.queries import (
    Span,
    last_reading,
    machine_span,
    open_questions,
    strokes_between,
    strokes_by_bucket,
    strokes_by_machine,
    total_at,
)
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

MADRID = ZoneInfo("Europe/Madrid")
ROTA = ShiftRota(MADRID, (ShiftRule(0, "day", time(6)),), date(2026, 1, 5), ())
# Two days before the clock is put forward.
FIRST = datetime(2026, 3, 27, 21, 30, tzinfo=UTC)


minutes = st.one_of(st.integers(0, 40), st.integers(0, 300), st.integers(0, 3_000))
facts = st.lists(
    st.tuples(st.booleans(), st.sampled_from([1, 1, 2]), minutes, st.integers(0, 999)),
    min_size=1,
    max_size=25,
    unique_by=lambda fact: fact[:3],
)


@st.composite
def histories(
    draw: st.DrawFn,
) -> tuple[list[tuple[bool, int, int, int]], list[tuple[object, ...]], int]:
    """What was told, what was decided on it (machine, to, from, verdict, strokes, when), and when
    it is asked for: among all that, so that much of it comes later."""
    told = draw(facts)
    decided = {}
    for _more in range(draw(st.integers(0, 6))):
        _event, number, to, _figure = draw(st.sampled_from(told))
        earlier = sorted(m for _e, n, m, _f in told if n == number and m < to) or [to - 1]
        # Most often the nearest, so that many decisions are about a stretch as it is.
        start = draw(st.sampled_from([*earlier, *[earlier[-1]] * 3]))
        verdict = draw(st.sampled_from(["made", "made", "misread", "open"]))
        later = to + draw(st.sampled_from([0, 1, 60, 1_000, 9_000]))
        strokes = draw(st.integers(0, 999))
        decided[number, to, later] = (number, to, start, verdict, strokes, later)
    then = draw(st.sampled_from([fact[2] for fact in told])) + draw(st.sampled_from([0, 0, 7, 500]))
    return told, list(decided.values()), then


@settings(max_examples=30)
@given(histories(), st.lists(minutes, min_size=2, max_size=6))
def test_as_of_is_what_would_have_been_answered_then(
    engine: Engine,
    found: tuple[list[tuple[bool, int, int, int]], list[tuple[object, ...]], int],
    asked: list[int],
) -> None:
    told, decisions, then = found
    as_of = FIRST + timedelta(minutes=then)
    limits = {1: CounterLimits(999, 2), 2: CounterLimits()}
    with undone(engine) as session:
        numbers = make_plant(session, "Europe/Madrid", limits)
        record(session, [fact for fact in told if fact[2] <= then])
        settle(session, [one for one in decisions if one[5] <= then])
        known_then = list(answers(session, numbers, asked, None))
        record(session, [fact for fact in told if fact[2] > then])
        settle(session, [one for one in decisions if one[5] > then])
        assert list(answers(session, numbers, asked, as_of)) == known_then


def record(session: Session, told: list[tuple[bool, int, int, int]]) -> None:
    at = [FIRST + timedelta(minutes=fact[2]) for fact in told]
    readings = [
        reading(n, t, s) for (is_event, n, _, s), t in zip(told, at, strict=True) if not is_event
    ]
    events = [
        counter_event(n, t, s) for (is_event, n, _, s), t in zip(told, at, strict=True) if is_event
    ]
    record_readings(session, readings, ACTOR, NOW)
    record_counter_events(session, events, ACTOR, NOW)


def settle(session: Session, decisions: list[tuple[object, ...]]) -> None:
    def at(minute: object) -> datetime:
        return FIRST + timedelta(minutes=int(str(minute)))

    record_counter_settlements(
        session,
        [
            settlement(
                int(str(number)),
                at(to),
                (at(start), int(str(strokes))) if verdict == "made" else None,
                str(verdict),
                at(settled_at),
            )
            for number, to, start, verdict, strokes, settled_at in decisions
        ],
        ACTOR,
        NOW,
    )


def answers(
    session: Session, numbers: dict[int, uuid.UUID], asked: list[int], as_of: datetime | None
) -> Iterator[object]:
    ids = list(numbers.values())
    at = [FIRST + timedelta(minutes=minute) for minute in asked]
    spans = [Span(m, a, b) for m in ids for a, b in zip(at, [*at[1:], None], strict=True)]
    yield strokes_between(session, spans, as_of)
    yield total_at(session, ids, at[0], as_of)
    yield strokes_by_machine(session, min(at), max(at), as_of)
    yield machine_span(session, ids, as_of)
    yield last_reading(session, ids, as_of)
    yield open_questions(session, as_of=as_of)
    yield sorted(
        strokes_by_bucket(session, ids, min(at), max(at), Bucket.HOUR, rota=ROTA, as_of=as_of),
        key=lambda row: (row.machine_id, row.bucket_start),
    )
