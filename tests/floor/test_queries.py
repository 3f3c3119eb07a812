"""The floor in one look, and one machine on one time axis."""

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.floor.queries import FloorMachine, floor, machine_history
from tracelog.plant.actions import record_plant
from tracelog.plant.facts import PlantFact
from tracelog.plant.queries import directory

NOW = hour(HOURS)


def machines(session: Session, as_of: float = HOURS) -> dict[str, FloorMachine]:
    return {one.machine.text: one for line in floor(session, hour(as_of)) for one in line.machines}


@pytest.fixture
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_levels(session)
    for code in ("1-1", "1-2", "2-1"):
        plant.serve(session, code, "major", HOURS - 60)


@pytest.mark.usefixtures("_history")
def test_every_line_has_its_bodymakers_in_order(session: Session) -> None:
    lines = floor(session, NOW)
    assert [(one.line, one.name) for one in lines] == [(1, "Line 1"), (2, "Line 2")]
    assert [one.machine.text for line in lines for one in line.machines] == [
        f"{line}-{number}" for line, number in plant.MACHINES
    ]


@pytest.mark.usefixtures("_history")
def test_the_ring_is_the_level_furthest_used_up(session: Session) -> None:
    found = machines(session)
    assert found["1-1"].standing is not None
    assert found["1-1"].standing.level.service == "minor"
    assert found["1-1"].share == pytest.approx(0.72)
    assert found["1-2"].share == pytest.approx(1.44)


@pytest.mark.usefixtures("_history")
def test_a_notch_has_its_reasons(session: Session) -> None:
    plant.serve(session, "2-1", "calibrate", HOURS - 9 * 24)
    plant.jump(session, 1, 1, HOURS + 3, 5)
    found = machines(session, HOURS + 4)
    assert found["1-1"].reasons == ("counter jumped, nobody has said why",)
    assert found["1-2"].reasons == ("minor overdue",)
    assert found["2-1"].reasons == ("calibrate overdue",)
    assert found["1-3"].reasons == ("counter silent",)
    [first, second] = floor(session, hour(HOURS + 4))
    assert [one.machine.text for one in first.needing] == ["1-1", "1-2", "1-3"]
    assert [one.machine.text for one in second.needing] == ["2-1", "2-2"]


@pytest.mark.usefixtures("_history")
def test_a_counter_falls_silent_after_three_times_its_usual_distance(session: Session) -> None:
    # It is read every six hours.
    assert machines(session, HOURS + 18)["1-1"].reasons == ()
    assert not machines(session, HOURS + 18)["1-1"].asks_counter
    silent = machines(session, HOURS + 18.1)["1-1"]
    assert (silent.reasons, silent.asks_counter) == (("counter silent",), True)


@pytest.mark.usefixtures("_history")
def test_a_machine_stands_if_its_counter_did_not_move_before_it_was_last_read(
    session: Session,
) -> None:
    assert not machines(session)["1-1"].stopped
    for later in (1, 2, 3):
        plant.jump(session, 1, 1, HOURS + later, HOURS * 12_000)
    assert machines(session, HOURS + 3)["1-1"].stopped
    assert not machines(session, HOURS + 1)["1-1"].stopped
    assert machines(session)["1-3"].stopped


@pytest.mark.usefixtures("_history")
def test_strokes_and_entries_are_those_of_the_last_day(session: Session) -> None:
    for at in (HOURS - 25, HOURS - 24, HOURS - 1, HOURS):
        plant.log(session, at, "1-1")
    plant.log(session, HOURS - 1, "1-?")
    plant.log(session, HOURS - 1, "1-1", logged_at=hour(HOURS + 1))
    [first, second] = floor(session, NOW)
    assert (first.strokes_recent, second.strokes_recent) == (24 * 36_000, 24 * 12_000)
    assert (first.entries_recent, second.entries_recent) == (3, 0)


def test_a_plant_without_lines_has_an_empty_floor(session: Session) -> None:
    fact = PlantFact.read({"name": "Alder", "time_zone": plant.ZONE.key}, plant.ZONE)
    plant.kept(record_plant(session, [fact], plant.ACTOR, NOW))
    assert floor(session, NOW) == []


def test_a_plant_without_history_needs_its_counters_read(session: Session) -> None:
    plant.write_plant(session)
    found = machines(session, 0)
    assert {one.reasons for one in found.values()} == {("counter silent",)}
    assert {one.share for one in found.values()} == {None}


@pytest.mark.usefixtures("_history")
def test_a_machine_has_all_its_history_of_the_period(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, HOURS - 100, "worn")
    plant.fit(session, "B", "1-1", "ring-3", HOURS - 100)
    plant.fit(session, "A", "2-1", "ring-3", HOURS - 50)
    plant.change(session, 1, None, HOURS - 20, "label")
    plant.change(session, 1, 2, HOURS - 20, "coolant")
    plant.change(session, 1, 1, HOURS - 200, "coolant")
    for at in (HOURS - 200, HOURS - 20, HOURS - 10):
        plant.log(session, at, "1-1")
    plant.log(session, HOURS - 10, "1-1", inspected=200)
    machines = directory(session)
    found = machine_history(session, machines.machine_named("1-1"), 7, NOW, machines)
    assert (found.bucket, len(found.strokes)) == ("hour", 7 * 24)
    assert {one.strokes for one in found.strokes} == {12_000}
    assert found.strokes_total == HOURS * 12_000
    assert (found.stopped, found.reasons) == (False, ())
    assert [one.level.service for one in found.standings] == ["minor", "major", "calibrate"]
    assert [one.serial for one in found.tools] == ["B"]
    assert [stay.serial for stay in found.stays] == ["A", "B"]
    assert [one.service for one in found.services] == ["major"]
    assert [one.kind for one in found.changes] == ["label"]
    assert [one.occurred_at for one in found.entries] == [
        hour(HOURS - 10),
        hour(HOURS - 10),
        hour(HOURS - 20),
    ]
    assert sum(row.entries for row in found.logged) == 2  # samples are no reports


@pytest.mark.usefixtures("_history")
def test_a_machine_of_another_station_has_no_counter_to_ask_after(session: Session) -> None:
    machines = directory(session)
    found = machine_history(session, machines.machine(1, "washer", 1), 28, NOW, machines)
    assert (found.stopped, found.reasons, found.strokes, found.strokes_total) == (False, (), (), 0)
    assert [one.level.service for one in found.standings] == ["clean"]


@pytest.mark.usefixtures("_history")
def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    machines = directory(session)
    chosen = machines.machine_named("1-1")

    def more(numbers: range) -> None:
        for number in numbers:
            plant.write_tools(session, {f"T-{number}": None})
            plant.fit(session, f"T-{number}", "1-2", f"ring-{number}", 0, 10, "moved")
            plant.fit(session, f"T-{number}", "1-1", f"ring-{number}", 20 + number)
            plant.serve(session, "1-1", "minor", 10 + number)
            plant.log(session, HOURS - number, "1-1")

    def counted() -> tuple[int, int]:
        with statements.counted() as whole:
            floor(session, NOW)
        with statements.counted() as one:
            machine_history(session, chosen, 28, NOW, machines)
        return len(whole), len(one)

    more(range(1, 3))
    before = counted()
    more(range(3, 12))
    assert counted() == before
