"""A shift's page: real hours over a clock change, and only what belongs to the shift."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from tests.handover.small_shifts import (
    BY,
    DAY_ENDS_AT,
    DAY_STARTS_AT,
    HOUR,
    IN_AUTUMN,
    IN_SPRING,
    ZONE,
    each_day,
    log,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.db import SNAPSHOT
from tracelog.errors import NotFound
from tracelog.handover.actions import settle_note, write_note
from tracelog.handover.facts import HandoverNoteFact, SettlementFact
from tracelog.handover.queries import ShiftPage, shift_page
from tracelog.plant.actions import record_changes
from tracelog.plant.facts import ChangeFact, CoilFact, CoilRunFact, ToolFact, ToolFitFact
from tracelog.plant.queries import the_plant
from tracelog.plant.stock_actions import record_coil_runs, record_coils
from tracelog.plant.tool_actions import record_tool_fits, record_tools
from tracelog.service.actions import record_service_levels, record_services
from tracelog.service.facts import ServiceFact, ServiceLevelFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def look(session: Session, moment: datetime, as_of: datetime | None = None) -> ShiftPage:
    """The page of the shift that holds an instant, long after it unless said otherwise."""
    return shift_page(session, the_plant(session), moment, as_of or moment + 24 * HOUR)


@pytest.mark.parametrize(
    ("moment", "hours"), [(DAY_STARTS_AT, 12), (IN_SPRING, 11), (IN_AUTUMN, 13)]
)
def test_a_shift_has_the_hours_that_it_has(session: Session, moment: datetime, hours: int) -> None:
    page = look(session, moment)
    assert (page.shift.ended_at - page.shift.started_at) == hours * HOUR
    strokes = {one.line: one.strokes for one in page.lines}
    assert strokes == {1: 2000 * hours, 2: 1000 * hours}
    for one, bodymakers in zip(page.lines, (2, 1), strict=True):
        assert one.strokes_per_hour == pytest.approx(1000 * bodymakers)
        assert one.usual_per_hour == pytest.approx(1000 * bodymakers)


def test_a_shift_that_goes_on_is_shown_so_far(session: Session) -> None:
    page = look(session, DAY_STARTS_AT + 3 * HOUR, DAY_STARTS_AT + 3 * HOUR)
    assert (page.until, page.later) == (DAY_STARTS_AT + 3 * HOUR, None)
    assert {one.line: one.strokes for one in page.lines} == {1: 6000, 2: 3000}
    assert page.lines[0].strokes_per_hour == pytest.approx(2000)
    assert (page.shift.shift, page.shift.crew) == ("day", "A")


def test_what_counters_do_not_tell_yet_is_neither_slow_nor_bad(session: Session) -> None:
    asked_at = DAY_STARTS_AT + 3 * HOUR + 30 * MINUTE
    for code in ("1-1", "1-2", "2-1"):
        log(session, code, each_day(DAY_STARTS_AT + HOUR, 27), mark=code)
    # Eight entries of the half hour that no counter tells of yet.
    log(session, "1-2", [DAY_STARTS_AT + 3 * HOUR + n * MINUTE for n in range(1, 9)], mark="now")
    page = look(session, DAY_STARTS_AT, asked_at)
    assert page.lines[0].read_until == DAY_STARTS_AT + 3 * HOUR
    assert (page.lines[0].strokes, page.lines[0].entries) == (6000, 8)
    assert page.lines[0].strokes_per_hour == pytest.approx(2000)
    assert page.standing_out == ()
    # An hour later they are known, and so is the exposure.
    assert [
        one.count.machine for one in look(session, DAY_STARTS_AT, asked_at + HOUR).standing_out
    ] == ["1-2"]


def test_a_line_without_a_reading_in_the_shift_says_so(session: Session) -> None:
    page = look(session, DAY_STARTS_AT, DAY_STARTS_AT + 10 * MINUTE)
    assert {one.read_until for one in page.lines} == {None}
    assert {one.strokes_per_hour for one in page.lines} == {0.0}


def test_entries_of_a_line_count_for_it_although_the_machine_is_not_known(
    session: Session,
) -> None:
    log(session, "1-?", [DAY_STARTS_AT + HOUR], cans="2")
    log(session, "2-1", [DAY_STARTS_AT + HOUR], cans="1", inspected="200")
    assert [(one.entries, one.cans) for one in look(session, DAY_STARTS_AT).lines] == [
        (1, 2),
        (1, 1),
    ]


def test_shifts_follow_each_other_without_a_gap_also_over_a_clock_change(session: Session) -> None:
    moment = datetime(2026, 10, 26, 12, tzinfo=IN_AUTUMN.tzinfo)
    page = look(session, moment)
    for _each in range(6):
        before = look(session, page.earlier)
        assert before.shift.ended_at == page.shift.started_at
        assert before.later is not None
        assert look(session, before.later).shift == page.shift
        page = before


def test_entries_count_in_the_shift_in_which_they_happened(session: Session) -> None:
    log(session, "1-1", [DAY_STARTS_AT, DAY_ENDS_AT - MINUTE], cans="3")
    log(session, "2-1", [DAY_STARTS_AT - MINUTE, DAY_ENDS_AT])
    page = look(session, DAY_STARTS_AT)
    assert [(one.entries, one.cans) for one in page.lines] == [(2, 6), (0, 0)]
    assert not page.is_silent
    assert look(session, DAY_STARTS_AT - 24 * HOUR).is_silent


def test_a_machine_unlike_its_last_28_days_stands_out_and_no_other(session: Session) -> None:
    noon = DAY_STARTS_AT + 7 * HOUR
    for code in ("1-1", "1-2", "2-1"):
        log(session, code, each_day(noon, 27), mark=code)
    log(session, "1-2", [noon + n * MINUTE for n in range(12)], mark="now")
    log(session, "1-1", [noon])
    (found,) = look(session, noon).standing_out
    assert (found.count.machine, found.count.happenings) == ("1-2", 12)
    assert found.count.happenings_before == 27
    # 27 in 672 hours are 27 x 12 / 672 in a shift.
    assert found.usual == pytest.approx(27 * 12 / 672)
    assert look(session, noon - 24 * HOUR).standing_out == ()
    # What was logged after the instant of the question was not known.
    assert look(session, noon, noon + MINUTE / 2).standing_out == ()


def test_what_was_done_belongs_to_one_shift(session: Session) -> None:
    level = {"station": "bodymaker", "service": "minor", "interval_strokes": 1_000_000}
    record_service_levels(session, [ServiceLevelFact.read(level, ZONE)], BY, DAY_STARTS_AT)
    edges = (DAY_STARTS_AT, DAY_STARTS_AT + HOUR, DAY_ENDS_AT)
    tools = [ToolFact(serial=f"R-{n}") for n in range(3)]
    record_tools(session, tools, BY, DAY_STARTS_AT)
    coils = [CoilFact(coil=f"K-{n}") for n in range(3)]
    record_coils(session, coils, BY, DAY_STARTS_AT)
    for n, moment in enumerate(edges):
        at = {"line": 1, "bodymaker": 1}
        service = ServiceFact(**at, service="minor", done_at=moment, unplanned=False)
        fit = ToolFitFact(**at, serial=f"R-{n}", position="ring-1", fitted_at=moment)
        change = ChangeFact(line=1, at=moment, kind="coolant", note=f"batch {n}")
        run = CoilRunFact(coil=f"K-{n}", line=1, started_at=moment)
        outcomes = [
            *record_services(session, [service], BY, moment),
            *record_tool_fits(session, [fit], BY, moment),
            *record_changes(session, [change], BY, moment),
            *record_coil_runs(session, [run], BY, moment),
        ]
        assert all(one.is_kept for one in outcomes), outcomes
    page = look(session, DAY_STARTS_AT)
    assert [one.done_at for one in page.services] == [edges[1], edges[0]]
    assert [stay.serial for _machine, stay in page.tools_in] == ["R-0", "R-1"]
    assert [one.note for _place, one in page.changes] == ["batch 1", "batch 0"]
    assert [place for place, _one in page.changes] == ["Line 1", "Line 1"]
    # The coil that was on when the shift ended; the next one began with the next shift.
    assert [(line, run.coil) for line, run in page.coils] == [(1, "K-1")]
    following = look(session, DAY_ENDS_AT)
    assert [one.done_at for one in following.services] == [DAY_ENDS_AT]
    assert [stay.serial for _machine, stay in following.tools_in] == ["R-2"]
    assert [one.note for _place, one in following.changes] == ["batch 2"]


def test_jumps_of_counters_are_those_of_then(session: Session) -> None:
    later = ReadingFact(line=2, bodymaker=1, read_at=DAY_ENDS_AT + 90 * MINUTE, strokes=5)
    assert record_readings(session, [later], BY, later.read_at)[0].is_kept
    assert look(session, DAY_STARTS_AT).questions == ()
    ((machine, question),) = [
        one for one in look(session, DAY_ENDS_AT).questions if one[1].to_strokes == 5
    ]
    assert (machine.text, question.to_at) == ("2-1", DAY_ENDS_AT + 90 * MINUTE)


def write(session: Session, text: str, at: datetime) -> HandoverNoteFact:
    fact = HandoverNoteFact.read({"about": "watch", "text": text}, ZONE)
    assert write_note(session, fact, BY, at).is_kept
    return fact


def test_a_note_is_carried_over_until_it_is_settled(session: Session) -> None:
    at = DAY_STARTS_AT + HOUR
    write(session, "watch the third ring", at)

    def shown(moment: datetime) -> list[tuple[str, bool]]:
        return [(note.text, note.settled_at is None) for note in look(session, moment).notes]

    night, next_day = DAY_ENDS_AT + HOUR, DAY_ENDS_AT + 13 * HOUR
    assert shown(DAY_STARTS_AT - 12 * HOUR) == []
    assert shown(at) == shown(night) == shown(next_day) == [("watch the third ring", True)]
    (note,) = look(session, night).notes
    settlement = SettlementFact(note=note.id, reason="new ring is in")
    assert settle_note(session, settlement, BY, night).is_kept
    # In the shift in which it was settled it is shown so, after it no more, before it still open.
    assert shown(at) == [("watch the third ring", True)]
    assert shown(night) == [("watch the third ring", False)]
    assert shown(next_day) == []


def test_what_is_open_and_pressing_comes_first(session: Session) -> None:
    at = DAY_STARTS_AT + HOUR
    for n, about in enumerate(("watch", "safety", "tools", "safety")):
        fact = HandoverNoteFact.read({"about": about, "text": f"{about} {n}"}, ZONE)
        assert write_note(session, fact, BY, at + n * MINUTE).is_kept
    page = look(session, at)
    assert [one.text for one in page.notes] == ["safety 3", "safety 1", "tools 2", "watch 0"]
    settlement = SettlementFact(note=page.notes[0].id, reason="lock is off")
    assert settle_note(session, settlement, BY, at + HOUR).is_kept
    assert [one.text for one in look(session, at).notes][0::3] == ["safety 1", "safety 3"]


def test_a_plant_without_shifts_is_told(session: Session) -> None:
    plant = the_plant(session)
    without = replace(plant, rota=replace(plant.rota, shifts=()))
    with pytest.raises(NotFound, match="no shifts yet"):
        shift_page(session, without, DAY_STARTS_AT, DAY_ENDS_AT)


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    sent = []
    for n in (1, 15):
        moments = [DAY_STARTS_AT + (n * 20 + place) * MINUTE for place in range(n)]
        log(session, "1-1", moments)
        for moment in moments:
            write(session, f"note of {moment}", moment)
        with (
            Session(bind=session.connection(), info=SNAPSHOT) as snapshot,
            statements.counted() as texts,
        ):
            look(snapshot, DAY_STARTS_AT)
        sent.append(len(texts))
    assert sent[0] == sent[1] <= 45
