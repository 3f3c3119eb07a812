"""The planted faults can be seen in what the files say, not only in the simulator's truth."""

from collections import Counter
from datetime import datetime, timedelta

import pytest

from seed_demo.faults import PlantedFault
from seed_demo.simulate import SimulatedPlant
from seed_demo.sizes import SIZES, PlantSize
from tests.seed_demo.written import SMALL, instant, plant, rows

CASES = [(SMALL, 1), (SMALL, 2), (SIZES["demo"], 1)]


def logged(made: SimulatedPlant, fault: PlantedFault) -> list[tuple[str, datetime]]:
    """Return (code as read, seen) of the entries of a fault's defect in running production."""
    return [
        (row["dome_code"], instant(row["seen_at"]))
        for row in rows(made, "defects.csv")
        if row["defect"] == fault.defect and not row["inspected"]
    ]


def millions(made: SimulatedPlant, code: str, start: datetime, end: datetime) -> float:
    machine = [m.code for m in made.machines].index(code)
    seconds = [(at - made.clock.start_at).total_seconds() for at in (start, end)]
    return (
        float(made.running.made(machine, seconds[1]) - made.running.made(machine, seconds[0])) / 1e6
    )


def rates(made: SimulatedPlant, fault: PlantedFault) -> tuple[float, float]:
    """Return entries per million strokes inside and outside the windows of a fault.

    What was made in a window may be seen up to the longest transit after it.
    """
    transit = timedelta(minutes=95)
    start, end = made.clock.utc(0), made.clock.utc(made.clock.seconds)
    entries = logged(made, fault)
    inside = sum(
        any(code == own and since <= seen <= until + transit for own, since, until in fault.windows)
        for code, seen in entries
    )
    strokes_inside = sum(millions(made, *window) for window in fault.windows)
    strokes = sum(millions(made, machine.code, start, end) for machine in made.machines)
    outside = (len(entries) - inside) / (strokes - strokes_inside)
    return inside / strokes_inside, outside


@pytest.mark.parametrize(("size", "seed"), CASES)
@pytest.mark.parametrize("number", range(3))
def test_a_planted_fault_multiplies_the_rate_of_its_defect(
    size: PlantSize, seed: int, number: int
) -> None:
    made = plant(size, seed)
    fault = made.faults[number]
    inside, outside = rates(made, fault)
    assert inside > 0.4 * fault.rate_ratio * outside
    assert inside > 4 * outside


def test_the_chipped_ring_takes_its_score_lines_to_a_machine_of_another_line() -> None:
    made = plant(SIZES["demo"])
    ring = made.faults[0]
    own = [row for row in rows(made, "tool_fits.csv") if row["serial"] == ring.name]
    assert [row["position"] for row in own] == ["ring-3", "ring-3"]
    assert own[0]["line"] != own[1]["line"]
    assert own[0]["removal_reason"] == "moved"
    assert own[1]["removed_at"] == ""
    moved = instant(own[1]["fitted_at"])
    codes = [f"{row['line']}-{row['bodymaker']}" for row in own]
    for code, worse_before in zip(codes, (True, False), strict=True):
        entries = [seen for read, seen in logged(made, ring) if read == code]
        month = timedelta(days=16)
        before = sum(moved - month <= seen < moved for seen in entries)
        after = sum(moved + timedelta(hours=2) <= seen < moved + month for seen in entries)
        assert (before > 3 * after) if worse_before else (after > 3 * before)


def test_the_bad_coil_makes_pinholes_on_most_bodymakers_of_its_line_and_on_no_other_line() -> None:
    made = plant(SIZES["demo"])
    coil = made.faults[1]
    [run] = [row for row in rows(made, "coil_runs.csv") if row["coil"] == coil.name]
    since, until = instant(run["started_at"]), instant(run["ended_at"]) + timedelta(minutes=95)
    codes = [code for code, seen in logged(made, coil) if since <= seen <= until]
    by_line = {
        line: Counter(m.code for m in made.machines if m.line == line for c in codes if c == m.code)
        for line in range(1, made.size.lines + 1)
    }
    own = by_line.pop(int(run["line"]))
    assert len(own) >= 6
    assert own.total() >= 20
    assert max(others.total() for others in by_line.values()) <= 5
    held = [row for row in rows(made, "pallets.csv") if row["status"] == "held"]
    assert sum(row["line"] == run["line"] for row in held) > 20


def test_the_pressure_change_is_logged_when_it_begins_and_when_it_is_reverted() -> None:
    made = plant(SIZES["demo"])
    change = made.faults[2]
    [(code, since, until)] = change.windows
    kind, at_machine, at = change.name.split(" @ ")
    assert at_machine == code
    assert instant(at) == since
    line, number = code.split("-")
    own = [
        instant(row["at"])
        for row in rows(made, "changes.csv")
        if (row["line"], row["bodymaker"], row["kind"]) == (line, number, kind)
    ]
    assert own == [since, until]


@pytest.mark.parametrize(("size", "seed"), CASES)
def test_all_faults_lie_in_the_last_sixty_days(size: PlantSize, seed: int) -> None:
    made = plant(size, seed)
    earliest = made.clock.utc(made.clock.seconds) - timedelta(days=60)
    starts = [since for fault in made.faults for _, since, _ in fault.windows]
    assert len(made.faults) == 3
    assert min(starts) > max(earliest, made.clock.start_at)
