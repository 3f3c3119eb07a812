"""Decisions about suspect windows that need no database."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol, TypeVar

# By how much a time on record may be off, either way: clocks differ and people write times down
# afterwards. Common practice, no source.
USUAL_SLACK = timedelta(minutes=5)
# The risk that a planner accepts for each pallet unless he says otherwise.
USUAL_RISK = 0.01
RISKS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
# Cans on a pallet where none is on record: usual are 7,000 to 9,000 (common practice, no source).
USUAL_CANS = 8000
LONGEST_WINDOW = timedelta(days=60)


class Weighed(Protocol):
    """A pallet of which the chance of none is known."""

    @property
    def expected(self) -> float:
        """Suspect cans expected on it."""

    @property
    def chance_of_none(self) -> float:
        """Chance that it holds none."""

    @property
    def cans(self) -> int:
        """Cans on it."""


One = TypeVar("One", bound=Weighed)


@dataclass(frozen=True)
class Tally:
    """What a hold costs and what it misses.

    Attributes:
        risk: accepted for each pallet.
        pallets, cans: held.
        suspect: suspect cans expected among those held.
        missed: suspect cans expected on pallets that are not held.
    """

    risk: float
    pallets: int
    cans: int
    suspect: float
    missed: float

    @property
    def share(self) -> float | None:
        """Share of the held cans that is suspect; None: nothing is held."""
        return self.suspect / self.cans if self.cans else None

    @property
    def missed_share(self) -> float:
        """Share of all suspect cans on pallets that is missed."""
        return self.missed / max(self.suspect + self.missed, 1e-12)


def held_at(pallets: Iterable[One], risk: float) -> list[One]:
    """Pallets whose chance of holding a suspect can is above the accepted risk."""
    return [one for one in pallets if 1.0 - one.chance_of_none > risk]


def tally(pallets: Sequence[Weighed], risk: float) -> Tally:
    """Held pallets and cans at an accepted risk, and suspect cans held and missed."""
    held = held_at(pallets, risk)
    suspect = sum(one.expected for one in held)
    return Tally(
        risk,
        len(held),
        sum(one.cans for one in held),
        suspect,
        max(0.0, sum(one.expected for one in pallets) - suspect),
    )


def curve(pallets: Sequence[Weighed], risks: Iterable[float] = RISKS) -> list[Tally]:
    """The tally of each accepted risk."""
    return [tally(pallets, risk) for risk in risks]
