from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from seed_demo.services import LEVELS, MEDIUM, OVERHAUL, Service
from seed_demo.sizes import PlantSize
from tests.seed_demo.written import plant, rows

YEAR = PlantSize(4, 8, 365)


def is_rebuild(service: Service) -> bool:
    return service.end - service.start > 2 * 86_400


def test_a_machine_stands_during_its_service() -> None:
    made = plant(YEAR)
    for service in made.services:
        inside = np.array([service.start, min(service.end, made.clock.seconds)])
        assert np.diff(made.running.made(service.machine, inside))[0] == 0.0


def test_the_one_crew_never_works_on_two_machines_at_once() -> None:
    crew = sorted(
        (s.start, s.end) for s in plant(YEAR).services if not s.unplanned and not is_rebuild(s)
    )
    # A job may run over by an hour; the next one has then been begun by the first to finish.
    assert all(later[0] > earlier[1] - 3700 for earlier, later in pairwise(crew))


@pytest.mark.parametrize("level", [MEDIUM, OVERHAUL])
def test_services_are_done_about_their_interval_and_some_are_late(level: int) -> None:
    made = plant(YEAR)
    shares = []
    for machine in range(len(made.machines)):
        done = [s for s in made.services if s.machine == machine and s.level >= level]
        for earlier, later in pairwise(sorted(done, key=lambda s: s.end)):
            if not later.unplanned and later.level == level:
                span = np.array([earlier.end, later.start])
                made_between = float(np.diff(made.running.made(machine, span))[0])
                shares.append(made_between / LEVELS[level].interval_strokes)
    assert len(shares) > 10
    assert max(shares) < 1.3
    assert 0.75 < float(np.median(shares)) < 1.05
    if level == MEDIUM:
        assert any(share > 1.05 for share in shares)


def test_some_services_are_unplanned_and_all_levels_are_done() -> None:
    made = plant(YEAR)
    seen = Counter((s.level, s.unplanned) for s in made.services)
    assert all(seen[level, False] > 10 for level in range(len(LEVELS)))
    assert seen[MEDIUM, True] > 5


def test_a_higher_level_brings_the_lower_ones_along() -> None:
    done = {
        (r["line"], r["bodymaker"], r["done_at"], r["service"])
        for r in rows(plant(YEAR), "services.csv")
    }
    overhauls = [row for row in done if row[3] == "overhaul"]
    assert overhauls
    for line, bodymaker, at, _ in overhauls:
        assert {(line, bodymaker, at, level.service) for level in LEVELS} <= done
