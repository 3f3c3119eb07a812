"""The reverse: everything that a tool, a coil or a machine made."""

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.errors import NotFound, TracelogError, UnknownReference
from tracelog.instants import EARLIEST
from tracelog.trace import where_used as module
from tracelog.trace.where_used import WhereUsed, where_used


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "moved")
    plant.fit(session, "A", "2-1", "ring-3", 120)
    plant.run_coil(session, "K-1", 1, 10, 20)


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


def stays(found: WhereUsed) -> list[tuple[object, ...]]:
    return [(use.machine.text, use.position, use.start, use.end, use.strokes) for use in found.uses]


def test_a_tool_is_followed_from_machine_to_machine(session: Session) -> None:
    found = used(session, "tool", "A")
    assert stays(found) == [
        ("1-1", "ring-3", hour(0), hour(100), 100 * 12_000),
        ("2-1", "ring-3", hour(120), None, (HOURS - 120) * 12_000),
    ]
    assert found.strokes == (HOURS - 20) * 12_000
    assert (found.start, found.end) == (hour(0), hour(HOURS))


def test_a_period_cuts_the_stays(session: Session) -> None:
    found = used(session, "tool", "A", 90, 130)
    assert stays(found) == [
        ("1-1", "ring-3", hour(90), hour(100), 10 * 12_000),
        ("2-1", "ring-3", hour(120), None, 10 * 12_000),
    ]


def test_a_later_removal_is_not_known_yet(session: Session) -> None:
    assert stays(used(session, "tool", "A", as_of=90)) == [
        ("1-1", "ring-3", hour(0), None, 90 * 12_000)
    ]


def test_a_coil_is_in_the_cans_of_every_bodymaker_of_its_line(session: Session) -> None:
    found = used(session, "coil", "K-1")
    assert [(use.machine.text, use.strokes) for use in found.uses] == [
        ("1-1", 10 * 12_000),
        ("1-2", 10 * 24_000),
        ("1-3", 0),
    ]


def test_entries_of_cups_that_still_waited_belong_to_the_coil(session: Session) -> None:
    for at in (9.9, 10, 15, 20.1, 20.2):
        plant.log(session, at, "1-2", cans=2)
    plant.log(session, 15, "2-1")
    found = used(session, "coil", "K-1")
    assert [entry.occurred_at for entry in found.entries] == [hour(20.1), hour(15), hour(10)]
    assert [(use.entries, use.cans) for use in found.uses] == [(0, 0), (3, 6), (0, 0)]


def test_a_machine_made_what_was_counted_in_the_period(session: Session) -> None:
    plant.log(session, 40, "1-2")
    plant.log(session, 60, "1-2")
    found = used(session, "machine", "1-2", 30, 50)
    assert stays(found) == [("1-2", "", hour(30), hour(50), 20 * 24_000)]
    assert [entry.occurred_at for entry in found.entries] == [hour(40)]


def test_entries_count_for_the_stay_in_which_the_can_was_made(session: Session) -> None:
    for at, code in ((50, "1-1"), (100, "1-1"), (110, "2-1"), (120, "2-1"), (130, "1-1")):
        plant.log(session, at, code)
    found = used(session, "tool", "A")
    assert [use.entries for use in found.uses] == [1, 1]
    assert [entry.occurred_at for entry in found.entries] == [hour(120), hour(50)]


def test_what_is_not_shown_is_counted_all_the_same(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_ENTRIES", 2)
    monkeypatch.setattr(module, "MOST_PALLETS", 2)
    for number in range(5):
        plant.log(session, 50 + number, "1-1")
        plant.log(session, 130 + number, "1-1")  # the tool was elsewhere by then
        plant.fill_pallet(session, f"W-{number}", 1, 50 + number, 51 + number)
    found = used(session, "tool", "A")
    assert [use.entries for use in found.uses] == [5, 0]
    assert [entry.occurred_at for entry in found.entries] == [hour(54), hour(53)]
    assert [pallet.pallet for pallet in found.pallets] == ["W-0", "W-1"]
    assert (found.entries_cut, found.pallets_cut) == (True, True)


def test_pallets_are_those_of_the_line_and_time_of_each_stay(session: Session) -> None:
    plant.fill_pallet(session, "W-1", 1, 10, 11)
    plant.fill_pallet(session, "W-2", 2, 10, 11)
    plant.fill_pallet(session, "W-3", 1, 101, 102)  # an hour on the way
    plant.fill_pallet(session, "W-4", 1, 110, 111)
    plant.fill_pallet(session, "W-5", 2, 130, 131)
    assert [one.pallet for one in used(session, "tool", "A").pallets] == ["W-1", "W-3", "W-5"]
    assert not used(session, "tool", "A").pallets_cut


@pytest.mark.parametrize(("kind", "name"), [("tool", "B"), ("coil", "K-9")])
def test_what_is_not_on_record_is_not_found(session: Session, kind: str, name: str) -> None:
    with pytest.raises(NotFound, match=f"'{name}' was not in use"):
        used(session, kind, name)


def test_a_tool_that_was_not_in_use_in_the_period_is_not_found(session: Session) -> None:
    with pytest.raises(NotFound):
        used(session, "tool", "A", 105, 110)


def test_an_unknown_machine_is_told(session: Session) -> None:
    with pytest.raises(UnknownReference, match="line 1 has no bodymaker 9") as told:
        used(session, "machine", "1-9", 0)
    assert told.value.field == "machine"


@pytest.mark.parametrize(("start", "end", "as_of"), [(50, 50, 60), (50, 40, 60), (50, 70, 40)])
def test_a_period_must_begin_before_it_ends(
    session: Session, start: float, end: float, as_of: float
) -> None:
    with pytest.raises(TracelogError, match="is not before the end") as told:
        used(session, "tool", "A", start, end, as_of)
    assert told.value.field == "from"


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    def counted() -> int:
        with statements.counted() as sent:
            used(session, "tool", "A")
        return len(sent)

    plant.log(session, 50, "1-1")
    plant.fill_pallet(session, "W-9", 1, 50, 51)
    before = counted()
    for number in range(6):
        code = ("1-2", "2-2")[number % 2]
        plant.fit(session, "A", code, "ring-3", 200 + 10 * number, 205 + 10 * number, "moved")
        plant.log(session, 201 + 10 * number, code)
        plant.fill_pallet(session, f"W-{number}", 1, 200 + 10 * number, 201 + 10 * number)
    assert len(used(session, "tool", "A").uses) == 8
    # One less than for a stay of weeks, whose whole days are counted from tallies.
    assert counted() == before - 1
