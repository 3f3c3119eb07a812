"""Where machines and tools stand, and what was known at an instant."""

from datetime import date, timedelta

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.service.queries import (
    ServiceStanding,
    levels,
    service_standings,
    services_done,
)
from tracelog.service.records import last_services, since_services
from tracelog.service.tool_standings import ToolStanding, tool_standings

DAY = 24 * 12_000


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_levels(session)


def standing(session: Session, machine: str, service: str, as_of: float = HOURS) -> ServiceStanding:
    [found] = [
        one
        for one in service_standings(session, hour(as_of))
        if (one.machine.text, one.level.service) == (machine, service)
    ]
    return found


def tools(session: Session, as_of: float = HOURS) -> dict[str, ToolStanding]:
    return {one.serial: one for one in tool_standings(session, hour(as_of))}


def test_every_machine_has_a_standing_on_every_level_of_its_station(session: Session) -> None:
    found = {(one.machine.text, one.level.service) for one in service_standings(session, hour(50))}
    bodymakers = {
        (f"{line}-{number}", service)
        for line, number in plant.MACHINES
        for service in ("minor", "major", "calibrate")
    }
    assert found == bodymakers | {("1 washer 1", "clean")}
    assert [one.service for one in levels(session) if one.station == "washer"] == ["clean"]


def test_a_machine_that_was_never_served_counts_from_its_first_reading(session: Session) -> None:
    one = standing(session, "1-1", "minor", 48)
    assert (one.done_at, one.strokes_since, one.share) == (None, 48 * 12_000, 0.576)


def test_a_machine_that_was_never_read_has_no_due_date(session: Session) -> None:
    one = standing(session, "1-3", "minor")
    assert (one.strokes_since, one.share, one.due.by, one.due.due) == (0, 0, "never", None)
    assert not one.is_overdue


def test_a_service_resets_its_own_level_and_those_below(session: Session) -> None:
    plant.serve(session, "1-1", "minor", 50)
    plant.serve(session, "1-1", "major", 200)
    plant.serve(session, "1-1", "minor", 300)
    plant.serve(session, "1-2", "minor", 310)
    since = {
        at: (
            standing(session, "1-1", "minor", at).strokes_since // 12_000,
            standing(session, "1-1", "major", at).strokes_since // 12_000,
        )
        for at in (48, 60, 210, 324)
    }
    assert since == {48: (48, 48), 60: (10, 60), 210: (10, 10), 324: (24, 124)}


def test_services_that_came_later_are_not_known(session: Session) -> None:
    plant.serve(session, "1-1", "minor", 50)
    assert standing(session, "1-1", "minor", 49.99).done_at is None
    assert standing(session, "1-1", "minor", 50).done_at == hour(50)


def test_looking_back_counts_with_readings_that_came_later(session: Session) -> None:
    """Read every six hours: at 50 only what was counted until 48 was known."""

    def since(known_at: float) -> int:
        found = service_standings(session, hour(50), known_at=hour(known_at))
        [one] = [one for one in found if (one.machine.text, one.level.service) == ("1-1", "minor")]
        return one.strokes_since

    assert (since(50), since(54)) == (48 * 12_000, 50 * 12_000)


def test_a_level_by_days_falls_due_on_its_day_whatever_the_counter_says(session: Session) -> None:
    plant.serve(session, "1-3", "calibrate", 24)
    for as_of, overdue in ((100, False), (24 * 8 + 1, False), (24 * 9 + 1, True)):
        one = standing(session, "1-3", "calibrate", as_of)
        assert (one.due.by, one.due.due) == ("days", date(2026, 2, 10))
        assert (one.share, one.is_overdue) == (None, overdue)


def test_a_level_by_days_that_was_never_done_has_no_due_date(session: Session) -> None:
    one = standing(session, "1 washer 1", "clean")
    assert (one.due.by, one.done_at, one.is_overdue) == ("never", None, False)


def test_a_steady_machine_is_due_where_its_interval_ends(session: Session) -> None:
    plant.serve(session, "1-1", "major", HOURS)
    one = standing(session, "1-1", "minor")
    assert (one.use.mean, one.use.days) == (DAY, 28)
    due = (hour(HOURS) + timedelta(days=plant.MILLION / DAY)).date()
    assert (one.due.due_early, one.due.due, one.due.due_late) == (due, due, due)


def test_a_day_that_is_known_in_part_is_no_day_of_use(session: Session) -> None:
    """Readings begin at 06:00 of the first day."""
    young = standing(session, "1-1", "minor", 24 * 3 + 6)
    assert (young.use.mean, young.use.days) == (DAY, 2)
    assert standing(session, "1-1", "minor", 6).use.days == 0


def test_what_is_used_up_comes_first_and_equals_stand_in_order(session: Session) -> None:
    plant.serve(session, "1-1", "minor", HOURS - 12)
    found = service_standings(session, hour(HOURS))
    shares = [one.share or 0 for one in found]
    assert shares == sorted(shares, reverse=True)
    rest = [
        (one.machine.line, one.machine.station, one.machine.number, one.level.service)
        for one in found
        if not one.share
    ]
    assert rest == sorted(rest)
    assert len(rest) == 10


def test_one_machine_stands_as_among_all(session: Session) -> None:
    plant.serve(session, "1-2", "minor", 100)
    plant.write_tools(session, {"A": 10 * plant.MILLION})
    plant.fit(session, "A", "1-2", "ring-3", 50)
    everything = service_standings(session, hour(HOURS))
    chosen = everything[0].machine
    assert chosen.text == "1-2"
    alone = service_standings(session, hour(HOURS), chosen.id)
    assert alone == [one for one in everything if one.machine == chosen]
    assert tool_standings(session, hour(HOURS), chosen.id) == tool_standings(session, hour(HOURS))


def test_services_are_told_newest_first(session: Session) -> None:
    for at in (10, 30, 20):
        plant.serve(session, "1-1", "minor", at)
    plant.serve(session, "1-2", "minor", 25)
    done = services_done(session, hour(29))
    assert [one.done_at for one in done] == [hour(25), hour(20), hour(10)]
    assert [one.done_at for one in services_done(session, hour(40), since=hour(20))] == [
        hour(30),
        hour(25),
        hour(20),
    ]
    assert [one.done_at for one in services_done(session, hour(40), most=2)] == [
        hour(30),
        hour(25),
    ]


def test_the_last_of_each_service_is_enough_to_say_where_a_machine_stands(
    session: Session, statements: Statements
) -> None:
    for at in range(10, 200, 10):
        plant.serve(session, "1-1", "minor" if at % 30 else "major", at)
        plant.serve(session, "1-2", "minor", at + 5)
    machine = standing(session, "1-1", "minor").machine
    for as_of in (5, 45, 90, 300):
        done = services_done(session, hour(as_of))
        last = last_services(session, hour(as_of))
        newest = {(one.machine.text, one.service): one.done_at for one in reversed(done)}
        assert {(one.machine.text, one.service): one.done_at for one in last} == newest
        own = last_services(session, hour(as_of), machine.id)
        assert own == [one for one in last if one.machine == machine]
        for every in (True, False):
            standings = service_standings(session, hour(as_of), ahead=every)
            whole = since_services(session, hour(as_of), levels(session), done)
            told = {(one.machine.id, one.level.service): one.done_at for one in standings}
            assert told == {(one.machine.id, one.level.service): one.done_at for one in whole}
    # However long the record is, as many rows are read as there are machines with their services.
    with statements.counted() as sent:
        assert len(last_services(session, hour(300))) == 3
    assert len(sent) == 4


# --- tools


def test_a_tool_takes_its_strokes_along(session: Session) -> None:
    plant.write_tools(session, {"A": 10 * plant.MILLION})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "moved")
    plant.fit(session, "A", "1-2", "ring-3", 120, 130, "moved")
    plant.fit(session, "A", "2-1", "ring-2", 140)
    one = tools(session, 204)["A"]
    assert (one.machine.text, one.position, one.fitted_at) == ("2-1", "ring-2", hour(140))
    assert one.strokes_here == 64 * 12_000
    assert one.strokes_on_tool == (100 + 20 + 64) * 12_000
    assert one.share == pytest.approx(184 * 12_000 / (10 * plant.MILLION))


def test_strokes_here_are_those_of_the_present_stay(session: Session) -> None:
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "defect")
    plant.fit(session, "A", "1-1", "ring-3", 150)
    one = tools(session, 162)["A"]
    assert (one.strokes_here, one.strokes_on_tool) == (12 * 12_000, 112 * 12_000)
    assert (one.share, one.due.by) == (None, "never")


def test_a_tool_that_is_out_stands_nowhere_and_is_back_before_its_removal(
    session: Session,
) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "worn")
    plant.fit(session, "B", "1-1", "ring-3", 110)
    assert set(tools(session, 90)) == {"A"}
    assert set(tools(session, 105)) == set()
    assert set(tools(session, 110)) == {"B"}


def test_a_tool_whose_removal_nobody_told_gives_way_to_the_next(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0)
    plant.fit(session, "B", "1-1", "ring-3", 110)
    assert set(tools(session, 120)) == {"B"}
    plant.fit(session, "B", "2-1", "ring-3", 130)
    one = tools(session, 144)["B"]
    assert (one.machine.text, one.strokes_on_tool) == ("2-1", 34 * 12_000)


def test_a_life_is_used_up_at_the_machines_rate_of_use(session: Session) -> None:
    plant.write_tools(session, {"A": 20 * DAY, "B": 5 * DAY, "C": None})
    for serial, position in (("A", "ring-1"), ("B", "ring-2"), ("C", "ring-3")):
        plant.fit(session, serial, "1-1", position, HOURS - 10 * 24)
    found = tool_standings(session, hour(HOURS))
    assert [one.serial for one in found] == ["B", "A", "C"]
    today = hour(HOURS).date()
    assert [one.due.due for one in found] == [
        today - timedelta(days=5),
        today + timedelta(days=10),
        None,
    ]


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    def counted() -> tuple[int, int]:
        with statements.counted() as services:
            service_standings(session, hour(HOURS))
        with statements.counted() as stands:
            tool_standings(session, hour(HOURS))
        return len(services), len(stands)

    plant.write_tools(session, {f"T-{number}": None for number in range(9)})
    plant.fit(session, "T-0", "1-2", "ring-0", 0, 10, "moved")
    plant.fit(session, "T-0", "1-1", "ring-0", 20)
    plant.serve(session, "1-1", "minor", 10)
    plant.serve(session, "1-2", "minor", 10)
    before = counted()
    for number in range(1, 9):
        plant.fit(session, f"T-{number}", "1-2", f"ring-{number}", 0, 10, "moved")
        plant.fit(session, f"T-{number}", "1-1", f"ring-{number}", 20 + number)
        plant.serve(session, "1-2", "minor", 10 + number)
    assert counted() == before
