"""What crews and changes touched, moves of tools, and machine-hours."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.errors import NotFound
from tracelog.instants import EARLIEST, write_instant
from tracelog.plant.queries import directory
from tracelog.plant.stays import changes_between
from tracelog.trace.where_used import WhereUsed, usual_start, where_used
from tracelog.trace.where_used_stretches import change_name


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)


def used(
    session: Session,
    kind: str,
    name: str,
    start: float | None = None,
    end: float = HOURS,
    as_of: float = HOURS,
) -> WhereUsed:
    first = EARLIEST if start is None else hour(start)
    return where_used(session, kind, name, first, hour(end), hour(as_of))


def named(kind: str, place: str, at: float) -> str:
    return f"{kind} @ {place} @ {write_instant(hour(at))}"


def stays(found: WhereUsed) -> list[tuple[object, ...]]:
    return [(use.machine.text, use.start, use.end, use.strokes) for use in found.uses]


# --- crews


def test_a_crew_touched_what_was_made_in_its_shifts(session: Session) -> None:
    # A works the day shift of every other day: the first twelve hours of 48.
    found = used(session, "crew", "A", 0, 96)
    assert {(use.start, use.end) for use in found.uses} == {
        (hour(0), hour(12)),
        (hour(48), hour(60)),
    }
    assert found.strokes == 2 * 12 * (12_000 + 24_000 + 12_000)
    assert found.hours == 2 * 12 * len(plant.MACHINES)
    by_machine = {one.machine.text: (one.times, one.strokes) for one in found.by_machine}
    assert by_machine["1-2"] == (2, 2 * 12 * 24_000)


def test_a_crews_entries_are_those_of_its_shifts(session: Session) -> None:
    for at in (11.9, 12.1, 50):
        plant.log(session, at, "1-2")
    found = used(session, "crew", "A", 0, 96)
    assert [one.occurred_at for one in found.entries] == [hour(50), hour(11.9)]
    assert found.entries_total == 2


def test_a_night_across_the_clock_change_counts_eleven_hours(session: Session) -> None:
    # 28 March 2026, 18:00 to 29 March 06:00 in Madrid; the cycle's first day is 2 February.
    plant.write_readings(session, 60 * 24)
    night = timedelta(hours=11)
    crew = "C" if (54 % 2) == 0 else "D"
    start, end = 54 * 24, 56 * 24
    found = used(session, "crew", crew, start, end, as_of=60 * 24)
    (use,) = [one for one in found.uses if one.machine.text == "1-1"]
    assert use.end is not None
    assert use.end - use.start == night
    assert (use.hours, use.strokes) == (11, 11 * 12_000)


def test_a_crew_that_is_not_in_the_rota_is_told_the_others(session: Session) -> None:
    with pytest.raises(NotFound, match="no crew 'Z' in the rota; crews are A, B, C"):
        used(session, "crew", "Z", 0)


def test_a_crew_without_a_start_goes_back_to_what_is_on_record(session: Session) -> None:
    assert min(one.start for one in used(session, "crew", "A").uses) == hour(0)
    assert usual_start("crew", hour(HOURS)) == hour(HOURS) - timedelta(days=28)


# --- changes


def test_a_change_touches_its_machine_until_the_next_of_its_kind(session: Session) -> None:
    plant.change(session, 1, 1, 10, "coolant")
    plant.change(session, 1, 1, 15, "pressure")
    plant.change(session, 1, 2, 16, "coolant")
    plant.change(session, 1, 1, 30, "coolant")
    assert stays(used(session, "change", named("coolant", "1-1", 10))) == [
        ("1-1", hour(10), hour(30), 20 * 12_000)
    ]
    assert stays(used(session, "change", named("coolant", "1-1", 30))) == [
        ("1-1", hour(30), None, (HOURS - 30) * 12_000)
    ]


def test_a_change_of_a_line_touches_its_bodymakers_each_until_its_own_next(
    session: Session,
) -> None:
    plant.change(session, 1, None, 10, "coolant")
    plant.change(session, 1, 2, 20, "coolant")
    plant.change(session, 1, None, 40, "coolant")
    found = used(session, "change", named("coolant", "1", 10))
    assert stays(found) == [
        ("1-1", hour(10), hour(40), 30 * 12_000),
        ("1-2", hour(10), hour(20), 10 * 24_000),
        ("1-3", hour(10), hour(40), 0),
    ]
    assert stays(used(session, "change", named("coolant", "line 1", 10))) == stays(found)


def test_the_next_change_is_not_known_before_it_was_made(session: Session) -> None:
    plant.change(session, 1, 1, 10, "coolant")
    plant.change(session, 1, 1, 30, "coolant")
    found = used(session, "change", named("coolant", "1-1", 10), end=25, as_of=25)
    # The counter was read at 24 last.
    assert stays(found) == [("1-1", hour(10), None, 14 * 12_000)]


def test_a_change_bears_the_name_that_finds_it(session: Session) -> None:
    plant.change(session, 1, 1, 10, "coolant")
    plant.change(session, 2, None, 11, "can @ height")
    for change in changes_between(session, hour(0), hour(20)):
        name = change_name(change, directory(session))
        assert used(session, "change", name).uses[0].start == change.at


@pytest.mark.parametrize(
    "name", ["coolant", "coolant @ 1-1", "coolant @ 1-1 @ soon", "coolant @ 9-9 @ 2026-02-02T06:00"]
)
def test_what_names_no_change_says_how_to_write_one(session: Session, name: str) -> None:
    with pytest.raises(NotFound, match="write it as kind @ 3-7 @ instant"):
        used(session, "change", name)


# --- moves of tools


def test_tools_of_a_machine_are_followed_backwards_and_forwards(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "2-1", "ring-2", 0, 40, "moved")
    plant.fit(session, "A", "1-1", "ring-3", 50, 100, "worn")
    plant.fit(session, "A", "1-2", "ring-3", 120)
    plant.fit(session, "B", "1-1", "ring-3", 100)
    found = used(session, "machine", "1-1", 60, 110)
    moves = {one.serial: one for one in found.moves}
    assert set(moves) == {"A", "B"}
    before, after = moves["A"].came_from, moves["A"].went_to
    assert before is not None
    assert after is not None
    assert (before.machine.text, before.position, before.end) == ("2-1", "ring-2", hour(40))
    assert (after.machine.text, after.start, after.end) == ("1-2", hour(120), None)
    assert (moves["B"].came_from, moves["B"].went_to) == (None, None)
    own = used(session, "tool", "A", 60, 110)
    assert [one.here.machine.text for one in own.moves] == ["2-1", "1-1", "1-2"]
    assert [one.machine.text for one in own.uses] == ["1-1"]


# --- counting


def test_totals_count_what_is_not_listed(session: Session) -> None:
    for number in range(6):
        plant.log(session, 5 + number, "1-1", cans=2)
        plant.fill_pallet(session, f"W-{number}", 1, 6 + number, 7 + number)
    found = where_used(
        *(session, "machine", "1-1", hour(4), hour(20), hour(HOURS)),
        most_entries=2,
        most_pallets=3,
    )
    assert (found.entries_total, found.cans, len(found.entries)) == (6, 12, 2)
    assert (found.pallets_total, [one.pallet for one in found.pallets]) == (
        6,
        ["W-0", "W-1", "W-2"],
    )


def test_a_pallet_that_two_stays_reach_is_counted_once(session: Session) -> None:
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 10, "moved")
    plant.fit(session, "A", "1-2", "ring-3", 13)
    plant.fill_pallet(session, "W-1", 1, 11, 14)
    found = used(session, "tool", "A", 0, 20)
    assert (found.pallets_total, [one.pallet for one in found.pallets]) == (1, ["W-1"])


def test_entries_logged_later_are_left_out_as_of_then(session: Session) -> None:
    plant.log(session, 50, "1-1")
    plant.log(session, 51, "1-1", logged_at=hour(70))
    assert used(session, "machine", "1-1", 40, 60, as_of=60).entries_total == 1
    assert used(session, "machine", "1-1", 40, 60).entries_total == 2


@pytest.mark.parametrize("kind", ["crew", "change"])
def test_the_number_of_statements_does_not_grow(
    session: Session, statements: Statements, kind: str
) -> None:
    plant.change(session, 1, None, 1, "coolant")
    plant.log(session, 2, "1-1")
    plant.fill_pallet(session, "W-0", 1, 3, 4)
    name = "A" if kind == "crew" else named("coolant", "1", 1)

    def counted(end: float) -> int:
        with statements.counted() as sent:
            used(session, kind, name, 0, end)
        return len(sent)

    before = counted(40)
    for number in range(5):
        plant.change(session, 1, 1, 20 + number, "coolant")
        plant.log(session, 30 + number, "1-2")
    assert counted(96) == before
