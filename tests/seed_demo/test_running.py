import numpy as np

from seed_demo.running import Running
from tests.seed_demo.written import LONG, plant


def test_a_stop_takes_only_the_slots_after_it() -> None:
    running = Running(np.full((2, 12), 100.0))
    running.stop(0, 1000.0, 1800.0)
    assert running.made(0, 1200.0) == 400.0
    assert running.made(0, 1800.0) == 400.0
    assert running.made(0, 3600.0) == 1000.0
    assert running.made(1, 3600.0) == 1200.0


def test_when_is_the_inverse_of_made() -> None:
    running = Running(np.array([[0.0, 100.0, 0.0, 50.0]]))
    assert running.when(0, 50.0) == 450.0
    assert running.when(0, 125.0) == 1050.0
    assert running.when(0, 151.0) == float("inf")
    assert running.made(0, running.when(0, 99.0)) == 99.0


def test_machines_are_available_for_most_of_the_time_that_is_not_planned_away() -> None:
    made = plant(LONG)
    clock = made.clock
    for index, machine in enumerate(made.machines):
        planned = sum(
            min(end, clock.seconds) - max(start, 0)
            for start, end in clock.planned_stops(machine.line)
            if end > 0
        )
        serviced = sum(s.end - s.start for s in made.services if s.machine == index)
        share = float(made.running.made(index, clock.seconds)) / machine.rated_spm * 60
        share /= clock.seconds - planned - serviced
        assert 0.78 < share < 0.95  # availability of 85 to 92 %, at about 96 % of the rated speed


def test_a_line_makes_nothing_while_it_is_cleaned_or_on_holiday() -> None:
    made = plant(LONG)
    for index, machine in enumerate(made.machines):
        for start, end in made.clock.planned_stops(machine.line):
            inside = np.array([max(start, 0), min(max(end, 0), made.clock.seconds)])
            assert np.diff(made.running.made(index, inside))[0] == 0.0


def test_no_machine_runs_faster_than_its_rated_speed() -> None:
    made = plant(LONG)
    rated = np.array([machine.rated_spm for machine in made.machines])
    assert (made.running.strokes <= rated[:, None] * 5 + 1e-6).all()
