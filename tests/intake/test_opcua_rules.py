"""What a server shows becomes a reading with the right instant, or a reason why not."""

import math
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.intake.arrivals import AHEAD_AT_MOST, CollectedReading
from tracelog.intake.opcua_map import Clock, MappedCounter
from tracelog.intake.opcua_nodes import NodeAddress
from tracelog.intake.opcua_rules import CounterReader, Shown, whole
from tracelog.intake.reject_rules import Reject

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
COUNTER = MappedCounter(1, 7, NodeAddress(2, "c7"))
SECOND = timedelta(seconds=1)


def shown(
    value: object,
    arrives: float = 0,
    source: float | None = None,
    server: float | None = None,
    reason: str = "",
) -> Shown:
    """A value that arrives so many seconds after `AT`, dated so by source and server."""
    stamps = [None if one is None else AT + one * SECOND for one in (source, server)]
    return Shown(value, reason, stamps[0], stamps[1], AT + arrives * SECOND, 5000 + arrives)


def reader(clock: Clock = Clock.SOURCE) -> CounterReader:
    return CounterReader(COUNTER, clock)


def read(counter: CounterReader, one: Shown) -> tuple[float, int] | str | None:
    """Seconds after `AT` and strokes, or the reason of a reject."""
    made = counter.read(one)
    if isinstance(made, CollectedReading):
        assert (made.fact.line, made.fact.bodymaker) == (1, 7)
        return (made.fact.read_at - AT).total_seconds(), made.fact.strokes
    return made.reason if isinstance(made, Reject) else None


@pytest.mark.parametrize(
    ("clock", "source", "server", "dated"),
    [
        (Clock.SOURCE, -9, -5, -9),
        (Clock.SOURCE, None, -5, -5),
        (Clock.SOURCE, None, None, 0),
        (Clock.SERVER, -9, -5, -5),
        (Clock.SERVER, -9, None, 0),
        (Clock.ARRIVAL, -9, -5, 0),
    ],
)
def test_a_reading_has_the_instant_of_the_clock_or_of_the_next_best(
    clock: Clock, source: float | None, server: float | None, dated: float
) -> None:
    assert read(reader(clock), shown(5, 0, source, server)) == (dated, 5)


@pytest.mark.parametrize("year", [1601, 1970, 1980, 2000])
def test_a_clock_that_was_never_set_dates_nothing(year: int) -> None:
    unset = datetime(year, 1, 1, 0, 0, 9, tzinfo=UTC)
    made = reader().read(Shown(5, "", unset, AT - SECOND, AT, 0.0))
    assert isinstance(made, CollectedReading)
    assert made.fact.read_at == AT - SECOND


def test_the_future_is_refused_like_in_a_message() -> None:
    counter = reader()
    most = AHEAD_AT_MOST.total_seconds()
    told = read(counter, shown(5, 0, source=most + 1))
    assert isinstance(told, str)
    assert "0:10:01 ahead of this computer's clock" in told
    # It leaves no mark: the clock that was set goes on from where it is.
    assert read(counter, shown(6, 1, source=0)) == (0, 6)
    assert read(counter, shown(7, 2, source=most + 2)) == (most + 2, 7)


def test_a_counter_that_stands_is_dated_by_the_time_that_passes() -> None:
    counter = reader()
    assert read(counter, shown(5, 0, source=-40)) == (-40, 5)
    assert read(counter, shown(5, 30, source=-40)) == (-10, 5)
    assert read(counter, shown(5, 60, source=-40)) == (20, 5)
    # It runs again, by the same clock, which is 40 s behind ours.
    assert read(counter, shown(6, 70, source=30)) == (30, 6)


def test_changes_under_a_coarse_clock_keep_their_order() -> None:
    counter = reader()
    dated = [
        read(counter, shown(strokes, arrives, source=0))
        for strokes, arrives in [(5, 1.0), (6, 1.25), (7, 1.5), (8, 1.5), (0, 1.5)]
    ]
    assert dated == [(0, 5), (0.25, 6), (0.5, 7), (0.500001, 8), (0.500002, 0)]
    assert read(counter, shown(1, 2.0, source=1)) == (1, 1)


def test_a_clock_that_lags_while_its_counter_stands_puts_nothing_out_of_order() -> None:
    counter = reader()
    read(counter, shown(5, 0, source=0))
    assert read(counter, shown(5, 28_800, source=0)) == (28_800, 5)
    assert read(counter, shown(6, 28_801, source=28_741)) == (28_800.000001, 6)
    assert read(counter, shown(6, 28_801.2, source=28_741)) is None
    told = read(counter, shown(7, 28_801.3, source=28_739))
    assert isinstance(told, str)
    assert "the clock was put back" in told
    assert read(counter, shown(8, 28_863, source=28_801.5)) == (28_801.5, 8)


@pytest.mark.parametrize("clock", list(Clock))
def test_a_clock_that_is_put_back_is_told_until_it_has_caught_up(clock: Clock) -> None:
    counter = reader(clock)

    def at(strokes: int, seconds: float) -> Shown:
        return Shown(
            strokes,
            "",
            AT + seconds * SECOND if clock is Clock.SOURCE else None,
            AT + seconds * SECOND if clock is not Clock.ARRIVAL else None,
            AT + (seconds if clock is Clock.ARRIVAL else 7200) * SECOND,
            float(strokes),
        )

    assert read(counter, at(5, 3600)) == (3600, 5)
    told = read(counter, at(6, 60))
    assert isinstance(told, str)
    assert "2026-03-02T09:01:00Z lies before 2026-03-02T10:00:00Z" in told
    assert "the clock was put back" in told
    assert read(counter, at(7, 3601)) == (3601, 7)


def test_what_was_told_again_tells_nothing() -> None:
    counter = reader()
    read(counter, shown(5, 0, source=0))
    read(counter, shown(6, 1, source=1))
    assert read(counter, shown(6, 2, source=0.5)) is None
    assert read(counter, shown(6, 1, source=1)) is None


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (True, "'True' is not a whole number"),
        (12.5, "'12.5' is not a whole number"),
        (math.nan, "'nan' is not a whole number"),
        (math.inf, "'inf' is not a whole number"),
        ("12", "'12' is not a whole number"),
        ([12, 13], "is not a whole number"),
        (b"12", "is not a whole number"),
        (None, "the node has no value yet"),
        (-1, "strokes: '-1' is out of range; it must be from 0"),
        (10**16, "is out of range"),
        (1e300, "is out of range"),
    ],
)
def test_what_is_no_figure_of_a_counter_is_refused(value: object, words: str) -> None:
    counter = reader()
    told = read(counter, shown(value))
    assert isinstance(told, str)
    assert words in told
    assert len(told) < 300
    assert read(counter, shown(3, 1)) == (1, 3)


def test_a_value_that_the_server_does_not_vouch_for_is_refused_with_its_reason() -> None:
    made = reader().read(shown(5, reason="the sensor failed"))
    assert isinstance(made, Reject)
    assert made.reason == "the sensor failed"
    assert (made.origin.source, made.origin.topic) == ("opcua", "ns=2;s=c7")
    assert made.origin.payload == b'{"value": 5, "is": "the sensor failed"}'


def test_a_node_from_which_nothing_comes_is_a_reject_too() -> None:
    made = reader().refuse("there is none", AT)
    assert (made.reason, made.origin.payload, made.origin.arrived_at) == ("there is none", b"", AT)


@given(st.integers(0, 2**53))
def test_a_float_that_is_a_whole_number_is_one(figure: int) -> None:
    assert whole(float(figure)) == figure


steps = st.tuples(
    st.sampled_from([0, 0, 1, 3, -5]),  # strokes
    st.floats(0, 90),  # seconds until it arrives
    st.floats(-30, 30) | st.none(),  # what the source's clock is off
)


@given(st.lists(steps, max_size=40), st.sampled_from(list(Clock)))
def test_readings_of_a_counter_follow_each_other_whatever_clocks_do(
    moves: list[tuple[int, float, float | None]], clock: Clock
) -> None:
    counter = reader(clock)
    strokes, arrives = 100, 0.0
    instants = []
    for more, seconds, off in moves:
        strokes, arrives = max(0, strokes + more), arrives + seconds
        source = None if off is None else arrives + off
        made = counter.read(shown(strokes, arrives, source, arrives))
        if isinstance(made, CollectedReading):
            instants.append(made.fact.read_at)
            assert made.fact.strokes == strokes
            assert made.fact.read_at <= AT + (arrives + 150) * SECOND
    assert instants == sorted(set(instants))
