"""Strokes and entries by tool, coil, crew, shift, hour and station, and any two of them."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise, permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace.two_lines import (
    ACTOR,
    AN_HOUR,
    START,
    ZONE,
    describe_tool,
    fit,
    hour,
    kept,
    log,
    run_coil,
    write_plant,
    write_readings,
    write_tools,
)
from tests.trends.small_log import write_log
from tracelog.buckets import Bucket
from tracelog.errors import TracelogError
from tracelog.instants import start_of_day
from tracelog.plant.queries import directory
from tracelog.plant.stays import tool_stays
from tracelog.strokes.actions import record_readings
from tracelog.strokes.at_instants import totals_in
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.hours import microseconds
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trends.answers import RateRow, Rates, rates_answer
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rates import rates
from tracelog.trends.rules import SHARING, SIDE_BY_SIDE, By, Evidence

DAYS = 20
ALL = RateQuestion(START, START + timedelta(days=DAYS))
TOGETHER = sum(AN_HOUR.values()) * DAYS * 24


def _plant(session: Session) -> None:
    """Tools in two positions of 1-1, one in 1-2; coils on line 1; a dozen entries."""
    write_plant(session)
    write_readings(session)
    write_tools(session, {"P1": None, "P2": None, "R1": None, "Q1": None})
    for serial, kind in (("P1", "punch"), ("P2", "punch"), ("R1", "ring")):
        describe_tool(session, serial, kind)
    fit(session, "P1", "1-1", "punch", 10, 100.5, "worn")
    fit(session, "P2", "1-1", "punch", 120)
    fit(session, "R1", "1-1", "ring-1", 50, 150, "planned")
    fit(session, "Q1", "1-2", "punch", 0, 48, "planned")
    run_coil(session, "C1", 1, 0, 30.25)
    run_coil(session, "C2", 1, 30.25, 70)
    run_coil(session, "C3", 1, 90, None)
    entries: list[tuple[float, str | None, dict[str, Any]]] = [
        (5, "1-1", {}),
        (20, "1-1", {"found_at": "light-tester"}),
        (60, "1-1", {"cans": 5}),
        (100.5, "1-1", {}),
        (130, "1-1", {"defect": "wrinkle"}),
        (20, "1-2", {}),
        (60, "1-2", {"coil": "C9"}),
        (80, "1-2", {}),
        (200, "2-1", {"found_at": "light-tester"}),
        (201, "1-?", {}),
        (202, None, {}),
        (203, "1-1", {"inspected": 400, "cans": 3}),
        (65, "1-1", {"inspected": 100, "cans": 1}),
    ]
    for at, code, more in entries:
        log(session, at, code, **more)


def _rows(answer: Rates) -> dict[str, RateRow]:
    return {row.name: row for row in answer.rows}


def _strokes(answer: Rates) -> dict[str, int]:
    return {row.name: row.exposure for row in answer.rows}


def test_strokes_of_a_tool_are_those_of_its_machine_while_it_was_in(session: Session) -> None:
    _plant(session)
    answer = rates(session, replace(ALL, by=By.TOOL, defects=("split",)))
    assert _strokes(answer) == {
        "P1": round(90.5 * 12_000),
        "P2": (DAYS * 24 - 120) * 12_000,
        "Q1": 48 * 24_000,
        "R1": 100 * 12_000,
        # 1-1 stood without any tool for ten hours, 1-2 after 48, 2-1 always.
        "no tool on record": 10 * 12_000 + (DAYS * 24 - 48) * 24_000 + DAYS * 24 * 12_000,
    }
    # At 100.5 P1 is out: the end of a stay is not part of it.
    assert {row.name: row.entries for row in answer.rows} == {
        "P1": 2,
        "P2": 0,
        "Q1": 1,
        "R1": 2,
        "no tool on record": 4,
    }
    assert (answer.together.exposure, answer.together.entries) == (TOGETHER, 8)
    assert answer.unsettled.entries == 2
    assert "less than the rows added up" in " ".join(answer.notes)


def test_a_type_of_tool_counts_machine_time_once(session: Session) -> None:
    _plant(session)
    write_tools(session, {"P3": None})
    describe_tool(session, "P3", "punch")
    fit(session, "P3", "1-1", "second-punch", 60, 110, "planned")
    answer = rates(session, replace(ALL, by=By.TOOL_TYPE, defects=("split",)))
    # P1 10 to 100.5, P3 60 to 110, P2 from 120: side by side they are one stretch.
    assert _rows(answer)["punch"].exposure == (110 - 10 + DAYS * 24 - 120) * 12_000
    assert _rows(answer)["punch"].entries == 3
    # Q1 has no type on record, so that 1-2 has none.
    by_both = rates(session, replace(ALL, by=By.TOOL, across=By.TOOL_TYPE))
    assert {row.name for row in by_both.rows} == {
        *("P1, punch", "P2, punch", "P3, punch", "R1, ring"),
        *("Q1, no tool type on record", "no tool on record, no tool type on record"),
    }


def test_a_coil_has_the_strokes_of_its_line_and_an_entry_may_name_its_own(
    session: Session,
) -> None:
    _plant(session)
    answer = rates(session, replace(ALL, by=By.COIL, defects=("split",)))
    on_line_1 = 36_000
    assert _strokes(answer) == {
        "C1": round(30.25 * on_line_1),
        "C2": round(39.75 * on_line_1),
        "C3": (DAYS * 24 - 90) * on_line_1,
        "C9": 0,
        "no coil on record": 20 * on_line_1 + DAYS * 24 * 12_000,
    }
    found = {row.name: row.entries for row in answer.rows}
    # The entry at 60 on 1-2 names C9, and does not count for C2.
    assert found == {"C1": 3, "C2": 1, "C3": 2, "C9": 1, "no coil on record": 2}
    assert _rows(answer)["C9"].note == "entries, but no strokes on record: no rate"
    # Nobody knows of which line the entry without a code is.
    assert answer.unsettled.entries == 1


def test_crews_and_shifts_have_the_strokes_of_their_hours(session: Session) -> None:
    _plant(session)
    half = TOGETHER // 2
    assert _strokes(rates(session, replace(ALL, by=By.SHIFT))) == {"day": half, "night": half}
    crews = _strokes(rates(session, replace(ALL, by=By.CREW)))
    assert crews == dict.fromkeys("ABCD", TOGETHER // 4)


@pytest.mark.parametrize(("changed_on", "hours"), [((2026, 3, 29), 11), ((2026, 10, 25), 13)])
def test_a_night_in_which_the_clock_changes_is_as_long_as_it_is(
    session: Session, changed_on: tuple[int, int, int], hours: int
) -> None:
    write_plant(session)
    start = start_of_day(date(*changed_on) - timedelta(days=1), ZONE) + timedelta(hours=18)
    span = (start, start + timedelta(hours=hours))
    first = (start - START) // timedelta(hours=1) - 6
    facts = [
        ReadingFact(line=line, bodymaker=number, read_at=hour(at), strokes=(at - first) * made)
        for (line, number), made in AN_HOUR.items()
        for at in range(first, first + 30)
    ]
    kept(record_readings(session, facts, ACTOR, hour(first + 40)))
    asked = RateQuestion(*span)
    assert _strokes(rates(session, replace(asked, by=By.SHIFT))) == {"night": hours * 48_000}
    by_hour = _strokes(rates(session, replace(asked, by=By.HOUR)))
    # Two o'clock is skipped in March and comes twice in October.
    assert by_hour.get("02:00–02:59", 0) == (0 if hours == 11 else 2 * 48_000)
    assert sum(by_hour.values()) == hours * 48_000


def test_tool_and_crew_crossed_share_what_lies_in_both(session: Session) -> None:
    _plant(session)
    answer = rates(session, replace(ALL, by=By.TOOL, across=By.CREW))
    # P1 was in from 16:00 of the first day for 90.5 hours: two hours of day A, then by shifts.
    end = 100.5
    expected: Counter[str] = Counter()
    for number, crew in enumerate("ACBD" * 5):
        first, last = number * 12, number * 12 + 12
        inside = max(0.0, min(end, last) - max(10.0, first))
        expected[crew] += round(inside * 12_000)
    assert {crew: _rows(answer)[f"P1, {crew}"].exposure for crew in "ABCD"} == dict(expected)
    turned = rates(session, replace(ALL, by=By.CREW, across=By.TOOL))
    assert {(r.tool, r.crew): r.exposure for r in turned.rows} == {
        (r.tool, r.crew): r.exposure for r in answer.rows
    }


def test_kind_of_defect_and_station_share_the_strokes_of_what_they_are_crossed_with(
    session: Session,
) -> None:
    _plant(session)
    tools = _strokes(rates(session, replace(ALL, by=By.TOOL)))
    answer = rates(session, replace(ALL, by=By.DEFECT, across=By.TOOL))
    for kind in ("split", "wrinkle"):
        assert {
            r.tool or "no tool on record": r.exposure for r in answer.rows if r.defect == kind
        } == tools
    stations = rates(session, replace(ALL, by=By.STATION))
    assert _strokes(stations) == {"light-tester": TOGETHER, "no station on record": TOGETHER}
    assert [row.entries for row in stations.rows] == [2, 9]
    assert stations.together.exposure == TOGETHER
    both = rates(session, replace(ALL, by=By.STATION, across=By.DEFECT))
    assert _rows(both)["light-tester, split"].exposure == TOGETHER


@pytest.mark.parametrize("bucket", [None, *Bucket])
def test_whatever_they_are_told_apart_by_nothing_is_lost_or_doubled(
    session: Session, bucket: Bucket | None
) -> None:
    _plant(session)
    for by in By:
        _conserved(rates(session, replace(ALL, by=by, bucket=bucket)))


def test_any_two_crossed_lose_and_double_nothing(session: Session) -> None:
    _plant(session)
    for by, across in permutations(By, 2):
        _conserved(rates(session, replace(ALL, by=by, across=across, bucket=Bucket.WEEK)))


def _conserved(answer: Rates) -> None:
    told = answer.question.told_apart
    whole = answer.together
    assert whole.exposure == TOGETHER
    assert whole.entries + answer.unsettled.entries == 11
    if not any(one in SHARING | SIDE_BY_SIDE for one in told):
        assert sum(row.exposure for row in answer.rows) == TOGETHER
    if not any(one in SIDE_BY_SIDE for one in told):
        assert sum(row.entries for row in answer.rows) == whole.entries
        assert sum(row.occurrences for row in answer.rows) == whole.occurrences
    assert sum(row.exposure for row in answer.rows) >= TOGETHER


stretch = st.tuples(st.integers(0, 470), st.integers(1, 200))


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_strokes_of_tools_and_coils_are_those_between_their_instants(
    session: Session, data: st.DataObject
) -> None:
    """Against the read of single spans, which the accounts of tools rest on."""
    with session.begin_nested() as part:
        write_plant(session)
        write_readings(session)
        fits = data.draw(st.lists(stretch, max_size=6, unique_by=lambda one: one[0]))
        stays = [*sorted((at, at + long) for at, long in fits)]
        starts = [at for at, _end in stays[1:]] + [10**6]
        write_tools(session, {f"T{n}": None for n in range(len(stays))})
        order = data.draw(st.permutations(range(len(stays))))
        for n in order:
            fit(session, f"T{n}", "1-2", "punch", stays[n][0], min(stays[n][1], starts[n]))
        asked = replace(ALL, by=By.TOOL)
        answer = _strokes(rates(session, asked))
        known = tool_stays(session, asked.start, asked.end)
        spans = [
            Span(
                one.machine_id,
                max(one.fitted_at, asked.start),
                min(one.removed_at or asked.end, asked.end),
            )
            for one in known
        ]
        made = dict(
            zip([one.serial for one in known], strokes_between(session, spans), strict=True)
        )
        assert {name: n for name, n in answer.items() if name.startswith("T")} == {
            name: n for name, n in made.items() if n
        }
        part.rollback()


def test_totals_at_instants_are_those_that_single_spans_rest_on(session: Session) -> None:
    _plant(session)
    machines = [one.id for one in directory(session).bodymakers]
    for as_of in (None, hour(201.5)):
        cuts = [hour(number / 7) for number in range(0, 20 * 24 * 7, 13)]
        totals = totals_in(session, machines, cuts[0], cuts[-1], as_of)
        for machine in machines:
            spans = [Span(machine, a, b) for a, b in pairwise(cuts)]
            edges = np.array([microseconds(cut) for cut in cuts])
            assert totals.strokes(machine, edges).tolist() == strokes_between(session, spans, as_of)


def test_as_of_knows_only_what_was_known(session: Session) -> None:
    _plant(session)
    then = replace(ALL, by=By.TOOL, as_of=hour(96))
    answer = rates(session, then)
    # P1 was still in, and P2 not yet there; the readings end at hour 96.
    assert _rows(answer)["P1"].exposure == 86 * 12_000
    assert "P2" not in _rows(answer)
    assert answer.together.exposure == 96 * 48_000


def test_samples_are_told_apart_by_what_was_in_force_and_never_mixed(session: Session) -> None:
    _plant(session)
    asked = replace(ALL, evidence=Evidence.SAMPLES, defects=("split",))
    tools = rates(session, replace(asked, by=By.TOOL))
    assert {r.name: (r.cans, r.exposure) for r in tools.rows} == {
        "P1": (1, 100),
        "R1": (1, 100),
        "P2": (3, 400),
    }
    assert (tools.together.cans, tools.together.exposure) == (4, 500)
    coils = rates(session, replace(asked, by=By.COIL))
    assert {r.name: r.exposure for r in coils.rows} == {"C2": 100, "C3": 400}
    for by in (By.CREW, By.SHIFT, By.HOUR, By.STATION, By.LINE):
        answer = rates(session, replace(asked, by=by))
        assert sum(row.exposure for row in answer.rows) == 500
        assert not answer.are_compared
    with pytest.raises(TracelogError, match="one kind of defect"):
        rates(session, replace(asked, by=By.CREW, defects=()))


def test_rows_of_one_kind_are_seen_together_and_what_is_not_on_record_is_not(
    session: Session,
) -> None:
    _plant(session)
    for by in (By.TOOL, By.TOOL_TYPE, By.COIL, By.CREW, By.SHIFT, By.HOUR):
        answer = rates(session, replace(ALL, by=by))
        seen = [row for row in answer.rows if row.probability_worst is not None]
        assert sum(row.probability_worst or 0 for row in seen) == pytest.approx(1)
        assert all("on record" not in row.name and row.exposure for row in seen)
        assert all(row.shrunk is not None for row in seen)
        assert not rates(session, replace(ALL, by=by, shrink=False)).are_compared
    assert not rates(session, replace(ALL, by=By.CREW, across=By.SHIFT)).are_compared


def test_a_plant_without_shifts_or_rota_says_so(session: Session) -> None:
    write_log(session, [])
    for by in (By.SHIFT, By.CREW):
        with pytest.raises(TracelogError, match="this plant has no shifts") as told:
            rates(session, replace(ALL, by=by))
        assert told.value.field == "by"


def test_an_answer_names_what_each_row_is_of(session: Session) -> None:
    _plant(session)
    answer = rates_answer(rates(session, replace(ALL, by=By.TOOL, across=By.HOUR)))
    assert answer["by"] == "tool,hour"
    row: dict[str, Any] = next(one for one in answer["rates"] if one["tool"] == "P1")
    assert (row["hour"], row["coil"], row["crew"]) == (0, None, None)
    assert row["name"] == "P1, 00:00–00:59"


def test_the_number_of_statements_does_not_grow(
    plant_session: Session, plant_statements: Statements
) -> None:
    end = datetime(2026, 7, 1, tzinfo=UTC)
    asked_of: list[tuple[By, By]] = [
        (By.TOOL, By.CREW),
        (By.COIL, By.HOUR),
        (By.MACHINE, By.DEFECT),
    ]
    for told in asked_of:
        sent = []
        for days in (2, 60):
            asked = RateQuestion(end - timedelta(days=days), end, by=told[0], across=told[1])
            with plant_statements.counted() as texts:
                rates(plant_session, asked)
            sent.append(len(texts))
            counting = [text for text in texts if "current_entries" in text and "GROUP BY" in text]
            # What tallies hold with the ends of the period, and what nobody's machine made.
            assert len(counting) == (2 if told[1] is By.DEFECT else 0)
        assert sent[0] == sent[1] <= 25, (told, sent)
