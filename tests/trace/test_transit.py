"""The way to the palletiser: closed forms against numbers drawn at random."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from tracelog.trace.transit import Way, arrived_by, shares_of_pallets, usual_way

NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)
LUMPY = Way(np.array([20.0, 30.0, 45.0, 95.0]), np.array([0.2, 0.5, 0.3]), "made up")


def minutes(count: float) -> timedelta:
    return timedelta(minutes=count)


def drawn(way: Way, spread: float, count: int = 200_000) -> np.ndarray:
    """Minutes after noon at which cans arrive that were made within `spread` minutes of noon."""
    rng = np.random.default_rng(7)
    stretch = rng.choice(len(way.chances), count, p=way.chances)
    taken = way.edges[stretch] + rng.random(count) * np.diff(way.edges)[stretch]
    return rng.random(count) * spread + taken


@pytest.mark.parametrize("spread", [0.0, 7.0, 300.0])
def test_arrivals_are_those_of_drawn_cans(spread: float) -> None:
    asked = [0.0, 20.0, 33.0, 50.0, 96.0, 200.0, 390.0, 500.0]
    found = arrived_by(LUMPY, (NOON, NOON + minutes(spread)), [NOON + minutes(m) for m in asked])
    arrivals = drawn(LUMPY, spread)
    expected = [(arrivals <= m).mean() for m in asked]
    assert found == pytest.approx(expected, abs=0.006)
    assert found[0] == 0.0
    assert found[-1] == pytest.approx(1.0)


def test_pallets_share_what_arrives_while_they_are_filled() -> None:
    fillings = [
        (NOON + minutes(10), NOON + minutes(30)),
        (NOON + minutes(30), NOON + minutes(50)),
        (NOON + minutes(40), NOON + minutes(70)),
        (NOON + minutes(90), NOON + minutes(90)),
    ]
    found = shares_of_pallets(LUMPY, (NOON, NOON), fillings)
    arrivals = drawn(LUMPY, 0.0)
    alone = ((arrivals > 30) & (arrivals <= 40)).mean()
    shared = ((arrivals > 40) & (arrivals <= 50)).mean()
    last = ((arrivals > 50) & (arrivals <= 70)).mean()
    assert found == pytest.approx([0.2, alone + shared / 2, shared / 2 + last, 0.0], abs=0.006)
    # Nothing was being filled from 70 to 95 minutes.
    assert found.sum() == pytest.approx(1 - 0.3 * 25 / 50)


def test_pallets_without_a_gap_hold_every_can() -> None:
    edges = [NOON + minutes(4.5 * n) for n in range(80)]
    found = shares_of_pallets(
        usual_way((20, 95)), (NOON, NOON + minutes(200)), list(pairwise(edges))
    )
    assert found.sum() == pytest.approx(1.0)
    assert (found >= 0).all()


def test_no_pallets_hold_nothing() -> None:
    assert shares_of_pallets(LUMPY, (NOON, NOON), []).shape == (0,)


def test_a_plant_of_one_figure_still_has_a_spread() -> None:
    way = usual_way((40, 40))
    assert way.by([40.0, 41.0]) == pytest.approx([0.0, 1.0])
