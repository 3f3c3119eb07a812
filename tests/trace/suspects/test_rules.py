"""What an accepted risk holds and misses."""

from dataclasses import dataclass
from itertools import pairwise

from tracelog.trace.suspects.rules import RISKS, curve, held_at, tally


@dataclass(frozen=True)
class One:
    expected: float
    chance_of_none: float
    cans: int = 8000


PALLETS = [One(0.004, 0.996), One(0.5, 0.7), One(1000, 0.0), One(20, 0.95), One(0.0, 1.0)]


def test_a_pallet_is_held_when_its_chance_is_above_the_risk() -> None:
    assert held_at(PALLETS, 0.01) == [PALLETS[1], PALLETS[2], PALLETS[3]]
    assert held_at(PALLETS, 0.1) == [PALLETS[1], PALLETS[2]]


def test_held_suspect_and_missed_are_told_apart() -> None:
    found = tally(PALLETS, 0.1)
    assert (found.pallets, found.cans) == (2, 16_000)
    assert found.suspect == 1000.5
    assert round(found.missed, 3) == 20.004
    assert found.share == 1000.5 / 16_000
    assert round(found.missed_share, 4) == round(20.004 / 1020.504, 4)


def test_a_higher_risk_never_holds_more_and_never_misses_less() -> None:
    found = curve(PALLETS)
    assert [one.risk for one in found] == list(RISKS)
    for one, following in pairwise(found):
        assert one.pallets >= following.pallets
        assert one.missed <= following.missed


def test_nothing_held_has_no_share() -> None:
    assert tally([], 0.01).share is None
