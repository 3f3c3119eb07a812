"""The tour names machines and days; they must be those of the demo."""

from pathlib import Path

import pytest

import seed_demo
from seed_demo.sizes import SIZES
from tests.seed_demo.written import plant, rows

README = (Path(seed_demo.__file__).parent / "README.md").read_text(encoding="utf-8")


def days_before_end(second: float) -> int:
    clock = plant(SIZES["demo"]).clock
    seen_on = clock.utc(second).astimezone(clock.zone).date()
    return (clock.ends_on - seen_on).days


def test_the_open_questions_are_on_the_machines_the_readme_names() -> None:
    made = plant(SIZES["demo"])
    first, second = (made.machines[step.machine].code for step in made.counters.undeclared)
    assert f"those of {first} and {second} in the demo of seed 1" in README
    assert [days_before_end(step.at) for step in made.counters.undeclared] == [33, 9]


def test_the_lent_doming_tool_is_where_the_readme_says() -> None:
    [alias] = rows(plant(SIZES["demo"]), "dome_codes.csv")
    assert f"In the demo {alias['code']} stood 16 days for a rebuild" in README
    assert f"lent to {alias['line']}-{alias['bodymaker']}." in README


@pytest.mark.parametrize("number", range(3))
def test_the_tour_names_the_machines_of_each_fault(number: int) -> None:
    fault = plant(SIZES["demo"]).faults[number]
    tour = README.split(f"\n### {number + 1}. ")[1].split("\n### ")[0]
    assert f"`{fault.defect}`" in tour
    codes = {code for code, _, _ in fault.windows}
    if fault.kind == "coil":
        assert {code.split("-")[0] for code in codes} == {"1"}
        assert "line 1" in tour
    else:
        assert all(code in tour for code in codes)


def test_the_tour_counts_the_days_of_the_faults_rightly() -> None:
    made = plant(SIZES["demo"])
    ring, coil, change = (
        [w for w in made.fault_windows if w.defect == f.defect] for f in made.faults
    )
    assert [days_before_end(window.start) for window in ring] == [41, 24]
    assert days_before_end(coil[0].start) in (9, 10, 11)
    assert 4.5 < (coil[0].end - coil[0].start) / 3600 < 6.5
    assert [days_before_end(at) for at in (change[0].start, change[0].end)] == [36, 17]
