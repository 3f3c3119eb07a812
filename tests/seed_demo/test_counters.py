"""The readings, read the way a careful person would, give the true strokes back."""

from itertools import pairwise

import pytest

from seed_demo.simulate import SimulatedPlant
from seed_demo.sizes import PlantSize
from tests.seed_demo.written import LONG, SMALL, plant

SIZES = [SMALL, LONG, PlantSize(1, 1, 20), PlantSize(3, 2, 25)]


def strokes_between(made: SimulatedPlant, machine: int) -> tuple[int, int, int, list[int]]:
    """Return strokes by the book, first and last second read, and when the book gave up."""
    readings = made.counters.readings
    own = readings.machine == machine
    taken = sorted(set(zip(readings.at[own].tolist(), readings.raw[own].tolist(), strict=True)))
    events = {s.at: s.after for s in made.counters.declared if s.machine == machine}
    wraps_at = made.machines[machine].counter_max + 1
    top_speed = made.machines[machine].rated_spm / 60 * 1.02
    total, open_questions = 0, []
    for (earlier, before), (later, after) in pairwise(taken):
        between = [at for at in events if earlier < at <= later]
        start = events[between[-1]] if between else before
        gain = (after - start) % wraps_at
        if gain <= top_speed * (later - earlier) + 2:
            total += gain
        else:
            open_questions.append(later)
    return total, taken[0][0], taken[-1][0], open_questions


@pytest.mark.parametrize("size", SIZES)
def test_readings_and_declared_events_give_the_true_strokes_less_what_nobody_can_know(
    size: PlantSize,
) -> None:
    made = plant(size)
    for machine in range(len(made.machines)):
        total, first, last, _ = strokes_between(made, machine)
        truth = made.running.whole(machine, last) - made.running.whole(machine, first)
        assert total == truth - made.unaccounted_strokes[machine]


@pytest.mark.parametrize("size", SIZES)
def test_exactly_two_backward_jumps_are_left_as_open_questions(size: PlantSize) -> None:
    made = plant(size)
    found = [
        (machine, at)
        for machine in range(len(made.machines))
        for at in strokes_between(made, machine)[3]
    ]
    assert len(found) == len(made.counters.undeclared) == 2
    for step, (machine, at) in zip(
        sorted(made.counters.undeclared, key=lambda s: (s.machine, s.at)), found, strict=True
    ):
        assert step.machine == machine
        assert 0 <= at - step.at < 3 * 3600


def test_some_counters_roll_over() -> None:
    made = plant(LONG)
    for machine, kind in enumerate(made.machines):
        if kind.counter_max == 9_999_999:
            strokes = int(made.running.whole(machine, made.clock.seconds))
            assert strokes > 3 * kind.counter_max


def test_rows_come_late_and_twice_and_a_day_is_missing() -> None:
    readings = plant(LONG).counters.readings
    rows = list(zip(readings.machine.tolist(), readings.at.tolist(), strict=True))
    assert len(set(rows)) < len(rows)
    late = gaps = 0
    for machine in range(len(plant(LONG).machines)):
        at = readings.at[readings.machine == machine]
        late += int((at[1:] < at[:-1]).sum())
        inner = sorted(at.tolist())
        gaps += sum(later - earlier > 80_000 for earlier, later in pairwise(inner))
    assert late > 10
    assert gaps >= 1


def test_most_readings_are_an_hour_apart() -> None:
    made = plant()
    for machine in range(len(made.machines)):
        readings = made.counters.readings
        own = sorted(set(readings.at[readings.machine == machine].tolist()))
        usual = sum(3000 < later - earlier < 4200 for earlier, later in pairwise(own))
        assert usual > 0.93 * len(own)
