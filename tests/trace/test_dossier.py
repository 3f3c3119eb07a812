"""The dossier of a can: which machine, when, with what, and how sure that is."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.errors import NotFound, TracelogError
from tracelog.plant.dome_code import parse_dome_code
from tracelog.trace.dossier import Dossier, Question, dossier

NOW = hour(HOURS)


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_levels(session)


def trace(
    session: Session,
    code: str | None = None,
    at: float | None = None,
    pallet: str | None = None,
    coil: str | None = None,
    as_of: float = HOURS,
) -> Dossier:
    moment = None if at is None else hour(at)
    read = parse_dome_code(code) if code else None
    return dossier(session, Question(read, moment, pallet, coil), hour(as_of))


def shares(found: Dossier) -> dict[str, float]:
    return {one.machine.text: one.probability for one in found.candidates}


def tools(found: Dossier) -> dict[str, tuple[str, int]]:
    return {one.stay.position: (one.stay.serial, one.strokes_on_tool) for one in found.then.tools}


# --- which machine


def test_a_whole_code_settles_the_machine(session: Session) -> None:
    found = trace(session, "1-2", 100)
    assert found.machine is not None
    assert (found.machine.text, found.line, shares(found)) == ("1-2", 1, {"1-2": 1.0})
    assert found.then.strokes_total == 100 * 24_000


def test_a_partial_code_is_shared_out_by_the_strokes_made_meanwhile(session: Session) -> None:
    found = trace(session, "?-?", 100)
    assert (found.machine, found.line, found.is_weighed) == (None, None, True)
    assert shares(found) == {"1-2": 0.5, "1-1": 0.25, "2-1": 0.25, "1-3": 0.0, "2-2": 0.0}
    assert found.then.tools == ()
    assert (found.coils, found.pallets) == ((), ())


@pytest.mark.parametrize("code", ["?-?", "1-?", "?-1", "?-2", "2-?"])
@pytest.mark.parametrize("at", [-50, 0.3, 100, HOURS - 0.1, None])
def test_probabilities_add_up_to_one(session: Session, code: str, at: float | None) -> None:
    assert sum(shares(trace(session, code, at)).values()) == pytest.approx(1, abs=1e-12)


def test_without_strokes_on_record_all_are_equally_likely(session: Session) -> None:
    found = trace(session, "1-?", -50)
    assert not found.is_weighed
    assert shares(found) == dict.fromkeys(("1-1", "1-2", "1-3"), pytest.approx(1 / 3))


def test_candidates_of_one_line_tell_the_line(session: Session) -> None:
    plant.run_coil(session, "K-1", 1, 90, None)
    found = trace(session, "1-?", 100)
    assert (found.machine, found.line) == (None, 1)
    assert [run.coil for run in found.coils] == ["K-1"]


def test_a_code_that_nobody_bears_has_no_candidates(session: Session) -> None:
    found = trace(session, "1-9", 100)
    assert (found.candidates, found.machine, found.line) == ((), None, None)


def test_a_code_counts_for_the_machine_that_bore_it_then(session: Session) -> None:
    plant.bear_code(session, "2-1", "1-2", 200, 300)
    for at, machine in ((199.99, "2-1"), (200, "1-2"), (299.99, "1-2"), (300, "2-1")):
        assert shares(trace(session, "2-1", at)) == {machine: 1.0}


def test_a_candidate_names_the_code_that_its_cans_bore(session: Session) -> None:
    plant.bear_code(session, "2-2", "1-2", 200, 300)
    found = trace(session, "?-2", 250)
    assert [(one.machine.text, str(one.code)) for one in found.candidates] == [("1-2", "2-2")]


def test_a_code_that_went_over_within_the_time_is_shared_by_both(session: Session) -> None:
    """The coil ran from 196 to 204 and waited ten minutes; 1-2 makes twice the strokes of 1-1."""
    plant.bear_code(session, "1-1", "1-2", 200, None)
    plant.run_coil(session, "K-1", 1, 196, 204)
    found = trace(session, "1-1", coil="K-1")
    own, other = 4 * 12_000, (4 + 1 / 6) * 24_000
    assert shares(found) == {
        "1-2": pytest.approx(other / (own + other)),
        "1-1": pytest.approx(own / (own + other)),
    }


def test_the_end_of_a_dome_code_that_lies_later_is_not_known(session: Session) -> None:
    plant.bear_code(session, "2-1", "1-2", 200, 300)
    assert shares(trace(session, "2-1", 350, as_of=250)) == {"1-2": 1.0}
    assert shares(trace(session, "2-1", 350, as_of=350)) == {"2-1": 1.0}
    assert shares(trace(session, "2-1", 350, as_of=150)) == {"2-1": 1.0}


# --- when


def test_no_time_means_the_present(session: Session) -> None:
    found = trace(session, "1-1", as_of=50)
    assert (found.made.start, found.made.end) == (hour(50), hour(50))


def test_a_pallet_gives_its_filling_less_the_way_to_it(session: Session) -> None:
    plant.fill_pallet(session, "W-1", 1, 100, 100.25)
    found = trace(session, "1-1", pallet="W-1")
    assert found.made.start == hour(100) - timedelta(minutes=95)
    assert found.made.end == hour(100.25) - timedelta(minutes=20)
    assert [pallet.pallet for pallet in found.pallets] == ["W-1"]


def test_a_pallet_alone_leaves_the_machines_of_its_line(session: Session) -> None:
    plant.fill_pallet(session, "W-1", 1, 100, 100.25)
    found = trace(session, pallet="W-1")
    assert shares(found) == {"1-2": pytest.approx(2 / 3), "1-1": pytest.approx(1 / 3), "1-3": 0.0}
    assert found.line == 1


def test_a_coil_gives_its_run_and_what_waits_on_the_conveyor(session: Session) -> None:
    plant.run_coil(session, "K-1", 1, 10, 20)
    found = trace(session, "1-1", coil="K-1")
    assert (found.made.start, found.made.end) == (hour(10), hour(20) + timedelta(minutes=10))
    assert [run.coil for run in found.coils] == ["K-1"]


def test_a_coil_that_ran_on_two_lines_is_taken_on_the_line_of_the_code(session: Session) -> None:
    plant.run_coil(session, "K-1", 1, 10, 20)
    plant.run_coil(session, "K-1", 2, 30, 40)
    found = trace(session, "2-1", coil="K-1")
    assert (found.machine and found.machine.text, found.made.start) == ("2-1", hour(30))
    both = trace(session, "?-1", coil="K-1")
    assert shares(both) == {"1-1": pytest.approx(0.5), "2-1": pytest.approx(0.5)}
    assert (both.made.start, both.made.end) == (hour(10), hour(40) + timedelta(minutes=10))


def test_time_pallet_and_coil_narrow_each_other(session: Session) -> None:
    plant.fill_pallet(session, "W-1", 1, 20.5, 20.75)
    plant.run_coil(session, "K-1", 1, 10, 20)
    found = trace(session, "1-1", pallet="W-1", coil="K-1")
    assert found.made.start == hour(20.5) - timedelta(minutes=95)
    assert found.made.end == hour(20) + timedelta(minutes=10)
    assert trace(session, "1-1", 19.5, "W-1", "K-1").made.start == hour(19.5)


@pytest.mark.parametrize(
    ("question", "field", "words"),
    [
        ({"code": "1-1", "at": 50, "pallet": "W-1"}, "at", "time and pallet do not go together"),
        ({"code": "1-1", "at": 50, "coil": "K-1"}, "at", "do not go together"),
        ({"code": "1-1", "pallet": "W-1", "coil": "K-1"}, "coil", "do not go together"),
        ({"code": "1-1", "pallet": "W-1", "coil": "K-2"}, "coil", "do not go together"),
    ],
)
def test_what_contradicts_itself_is_told(
    session: Session, question: dict[str, Any], field: str, words: str
) -> None:
    plant.fill_pallet(session, "W-1", 1, 100, 100.25)
    plant.run_coil(session, "K-1", 1, 10, 20)
    plant.run_coil(session, "K-2", 2, 98, 102)
    with pytest.raises(TracelogError, match=words) as told:
        trace(session, **question)
    assert told.value.field == field


@pytest.mark.parametrize("field", ["pallet", "coil"])
def test_an_unknown_pallet_or_coil_is_not_found(session: Session, field: str) -> None:
    with pytest.raises(NotFound, match="'X-9'") as told:
        trace(session, "1-1", **{field: "X-9"})  # type: ignore[arg-type]
    assert told.value.field == field


def test_pallets_are_those_that_the_can_can_reach(session: Session) -> None:
    for number, start in enumerate((100.0, 100.3, 101.5, 101.6)):
        plant.fill_pallet(session, f"W-{number}", 1, start, start + 0.05)
    plant.fill_pallet(session, "W-9", 2, 101, 101.1)
    # 20 to 95 minutes on the way: from 100:20 to 101:35.
    assert [one.pallet for one in trace(session, "1-1", 100).pallets] == ["W-1", "W-2"]


def test_the_coil_before_counts_while_its_cups_wait(session: Session) -> None:
    plant.run_coil(session, "K-1", 1, 10, 20)
    plant.run_coil(session, "K-2", 1, 20, 30)
    coils = {at: [run.coil for run in trace(session, "1-1", at).coils] for at in (19.9, 20.1, 20.2)}
    assert coils == {19.9: ["K-1"], 20.1: ["K-1", "K-2"], 20.2: ["K-2"]}


# --- with what


def test_before_the_first_reading_nothing_was_counted(session: Session) -> None:
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", -100)
    found = trace(session, "1-1", -1)
    assert found.then.strokes_total == 0
    assert tools(found) == {"ring-3": ("A", 0)}
    assert {one.strokes_since for one in found.then.services_since} == {0}


def test_at_the_instant_of_a_change_the_next_tool_made_the_can(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "worn")
    plant.fit(session, "B", "1-1", "ring-3", 100)
    assert tools(trace(session, "1-1", 99)) == {"ring-3": ("A", 99 * 12_000)}
    assert tools(trace(session, "1-1", 100)) == {"ring-3": ("B", 0)}
    assert tools(trace(session, "1-1", 101)) == {"ring-3": ("B", 12_000)}


def test_an_empty_position_shows_no_tool(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "worn")
    plant.fit(session, "B", "1-1", "ring-3", 110)
    assert tools(trace(session, "1-1", 105)) == {}


def test_strokes_on_a_tool_are_those_of_all_machines_it_was_in(session: Session) -> None:
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "moved")
    plant.fit(session, "A", "2-1", "ring-3", 120, 150, "moved")
    plant.fit(session, "A", "1-2", "ring-2", 160)
    assert tools(trace(session, "2-1", 130)) == {"ring-3": ("A", 110 * 12_000)}
    assert tools(trace(session, "1-2", 170)) == {"ring-2": ("A", 130 * 12_000 + 10 * 24_000)}
    assert tools(trace(session, "1-1", 170)) == {}


def test_strokes_since_service_are_those_until_the_can(session: Session) -> None:
    plant.serve(session, "1-1", "minor", 50)
    plant.serve(session, "1-1", "major", 200)
    since = {
        at: {one.level.service: one.strokes_since for one in found.then.services_since}
        for at in (40, 100, 210)
        for found in [trace(session, "1-1", at)]
    }
    assert since[40]["minor"] == 40 * 12_000
    assert (since[100]["minor"], since[100]["major"]) == (50 * 12_000, 100 * 12_000)
    assert (since[210]["minor"], since[210]["major"]) == (10 * 12_000, 10 * 12_000)


def test_services_changes_and_entries_around_the_can(session: Session) -> None:
    plant.serve(session, "1-1", "minor", 50, unplanned="yes")
    plant.change(session, 1, 1, 90, "coolant")
    plant.change(session, 1, None, 95, "label")
    plant.change(session, 1, 2, 96, "coolant")
    plant.change(session, 1, 1, 101, "training")
    for at in (70, 90, 110, 130):
        plant.log(session, at, "1-1")
    plant.log(session, 100, "1-2")
    then = trace(session, "1-1", 100).then
    assert [(one.service, one.unplanned) for one in then.services] == [("minor", True)]
    assert [one.kind for one in then.changes] == ["label", "coolant"]
    assert [one.occurred_at for one in then.entries] == [hour(110), hour(90)]


@pytest.mark.parametrize(
    ("at", "shift", "crew", "day"),
    [
        (0, "day", "A", 2),  # Monday 2 February, 06:00
        (11.99, "day", "A", 2),
        (12, "night", "C", 2),
        (23.99, "night", "C", 2),  # 05:59 of the next day
        (24, "day", "B", 3),
        (36, "night", "D", 3),
    ],
)
def test_a_night_shift_belongs_to_the_day_on_which_it_began(
    session: Session, at: float, shift: str, crew: str, day: int
) -> None:
    found = trace(session, "1-1", at).shift
    assert found is not None
    assert (found.shift, found.crew, found.day.day) == (shift, crew, day)


def test_the_night_of_the_clock_change_is_one_shift_of_eleven_hours(session: Session) -> None:
    """On 29 March the clock goes from 02:00 to 03:00: the day shift begins at 04:00 UTC."""
    ends = {}
    for minute in (-1, 0):
        at = (55 * 24 - 1) + minute / 60
        found = trace(session, "1-1", at, as_of=HOURS * 3).shift
        assert found is not None
        ends[minute] = (found.shift, found.day.isoformat(), found.ended_at - found.started_at)
    assert ends == {
        -1: ("night", "2026-03-28", timedelta(hours=11)),
        0: ("day", "2026-03-29", timedelta(hours=12)),
    }


# --- what was known


def test_nothing_that_came_later_leaks(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "worn")
    plant.fit(session, "B", "1-1", "ring-3", 100)
    plant.run_coil(session, "K-1", 1, 88, 96)
    plant.run_coil(session, "K-2", 1, 96, 99)
    plant.fill_pallet(session, "W-1", 1, 89.5, 91)
    plant.fill_pallet(session, "W-2", 1, 91, 92)
    plant.serve(session, "1-1", "minor", 50)
    plant.serve(session, "1-1", "major", 95)
    plant.change(session, 1, 1, 95, "coolant")
    plant.log(session, 80, "1-1")
    plant.log(session, 81, "1-1", logged_at=hour(99))
    found = trace(session, "1-1", 89, as_of=90)
    then = found.then
    assert [one.stay.removed_at for one in then.tools] == [None]
    assert [(run.coil, run.ended_at) for run in found.coils] == [("K-1", None)]
    assert [(one.pallet, one.ended_at, one.cans) for one in found.pallets] == [("W-1", None, None)]
    assert [one.service for one in then.services] == ["minor"]
    assert then.changes == ()
    assert [one.occurred_at for one in then.entries] == [hour(80)]


def test_what_is_asked_ahead_of_what_was_known_is_answered_with_what_was_known(
    session: Session,
) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0, 100, "worn")
    plant.fit(session, "B", "1-1", "ring-3", 100)
    found = trace(session, "1-1", 110, as_of=90)
    assert tools(found) == {"ring-3": ("A", 90 * 12_000)}
    assert found.then.strokes_total == 90 * 12_000


@pytest.mark.parametrize("code", ["1-1", "1-?"])
def test_a_dossier_takes_a_fixed_number_of_statements(
    session: Session, statements: Statements, code: str
) -> None:
    def counted() -> int:
        with statements.counted() as sent:
            trace(session, code, 100)
        return len(sent)

    before = counted()
    plant.write_tools(session, {f"T-{n}": None for n in range(8)})
    for number in range(8):
        plant.fit(session, f"T-{number}", "2-1", f"place-{number}", 0, 10, "moved")
        plant.fit(session, f"T-{number}", "1-1", f"place-{number}", 20 + number)
        plant.fill_pallet(session, f"W-{number}", 1, 100 + number / 10, 101 + number / 10)
        plant.log(session, 99 + number / 10, "1-1")
        plant.serve(session, "1-1", "minor", 30 + number)
    found = trace(session, code, 100)
    assert len(found.pallets) == 8
    # The tools' strokes are only asked for where there are tools.
    assert before <= counted() <= before + 6


def test_what_nobody_took_out_was_out_when_the_next_went_in(session: Session) -> None:
    plant.write_tools(session, {"A": None, "B": None})
    plant.fit(session, "A", "1-1", "ring-3", 0)
    plant.fit(session, "B", "1-1", "ring-3", 100)
    plant.fit(session, "B", "2-1", "ring-3", 150)
    plant.run_coil(session, "K-1", 1, 90, None)
    plant.run_coil(session, "K-2", 1, 110, None)
    assert tools(trace(session, "1-1", 120)) == {"ring-3": ("B", 20 * 12_000)}
    assert tools(trace(session, "1-1", 160)) == {}
    assert tools(trace(session, "2-1", 160)) == {"ring-3": ("B", 60 * 12_000)}
    assert [run.ended_at for run in trace(session, "1-1", 100).coils] == [hour(110)]
    assert [run.coil for run in trace(session, "1-1", 120).coils] == ["K-2"]
