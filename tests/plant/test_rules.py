"""Shifts, crews and dome codes."""

import uuid
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.rules import (
    CodedMachine,
    CodeOverride,
    ShiftRota,
    ShiftRule,
    candidates,
    shift_at,
    shift_labels,
    shifts_between,
)

MADRID = ZoneInfo("Europe/Madrid")
DAY, NIGHT = ShiftRule(0, "day", time(6)), ShiftRule(1, "night", time(18))
ROTA = ShiftRota(
    MADRID,
    (DAY, NIGHT),
    date(2026, 1, 5),
    ({0: "A", 1: "C"}, {0: "A", 1: "C"}, {0: "B", 1: "D"}),
)


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=MADRID)


def test_a_night_shift_belongs_to_the_day_it_starts() -> None:
    found = shift_at(ROTA, local("2026-01-07T03:00"))
    assert found is not None
    assert (found.shift, found.crew, found.day) == ("night", "C", date(2026, 1, 6))


def test_the_rota_repeats_also_before_it_starts() -> None:
    crews = []
    for day in range(-3, 6):
        found = shift_at(ROTA, local("2026-01-05T12:00") + timedelta(days=day))
        assert found is not None
        crews.append(found.crew)
    assert crews == ["A", "A", "B"] * 3


@pytest.mark.parametrize(
    ("night", "hours"), [("2026-03-28", 11), ("2026-10-24", 13), ("2026-06-01", 12)]
)
def test_a_shift_over_a_clock_change_has_its_real_hours(night: str, hours: int) -> None:
    found = shift_at(ROTA, local(f"{night}T23:00"))
    assert found is not None
    assert found.ended_at - found.started_at == timedelta(hours=hours)


def test_shifts_follow_each_other_without_a_gap_over_a_year() -> None:
    start, end = local("2026-01-01T00:00"), local("2027-01-01T00:00")
    found = list(shifts_between(ROTA, start, end))
    assert len(found) == 2 * 365 + 1
    assert found[0].started_at <= start
    assert found[-1].ended_at >= end
    assert all(a.ended_at == b.started_at for a, b in pairwise(found))


def test_a_plant_without_shifts_has_none() -> None:
    assert shift_at(ShiftRota(MADRID, (), None, ()), datetime(2026, 1, 1, tzinfo=UTC)) is None


def test_shifts_with_one_name_are_called_by_the_rotas_words() -> None:
    assert shift_labels(["Works", "Works"], ["day", "night"]) == ["day", "night"]
    assert shift_labels(["early", "late"], ["day", "night"]) == ["early", "late"]


MACHINES = [CodedMachine(uuid.uuid4(), line, number) for line in (1, 2) for number in range(1, 13)]
BY_CODE = {(machine.line, machine.number): machine.machine_id for machine in MACHINES}
NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)


def numbers(read: str | None, overrides: tuple[CodeOverride, ...] = ()) -> set[tuple[int, int]]:
    code = None if read is None else parse_dome_code(read)
    found = candidates(code, NOON, MACHINES, overrides)
    assert len(found) == len(set(found))
    return {pair for pair, machine_id in BY_CODE.items() if machine_id in found}


def test_a_whole_code_names_one_machine() -> None:
    assert numbers("02/010") == {(2, 10)}


def test_an_unread_digit_stands_for_one_digit() -> None:
    assert numbers("1-1?") == {(1, 10), (1, 11), (1, 12)}
    assert numbers("?-7") == {(1, 7), (2, 7)}
    assert numbers("2-?") == {(2, number) for number in range(1, 10)}


def test_a_blank_code_can_be_any_machine() -> None:
    assert numbers(None) == set(BY_CODE)


def test_a_code_no_machine_bears_has_no_candidates() -> None:
    assert numbers("9-9") == set()


def test_a_recorded_dome_code_wins_over_the_default_while_it_holds() -> None:
    code = parse_dome_code("1-4")
    before, after = NOON - timedelta(hours=1), NOON + timedelta(hours=1)
    assert numbers("1-4", (CodeOverride(code, BY_CODE[1, 7], before, after),)) == {(1, 7)}
    assert numbers("1-4", (CodeOverride(code, BY_CODE[1, 7], before, None),)) == {(1, 7)}
    assert numbers("1-4", (CodeOverride(code, BY_CODE[1, 7], before, NOON),)) == {(1, 4)}


def test_a_code_of_no_machine_is_settled_by_its_record() -> None:
    foreign = CodeOverride(parse_dome_code("1-19"), BY_CODE[1, 3], NOON, None)
    assert numbers("1-19", (foreign,)) == {(1, 3)}
    assert (1, 3) in numbers("1-1?", (foreign,))
