"""What the spread of bad cans over machines suggests. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.plant.dome_code import DomeCode
from tracelog.stats.dome_numbers import Spread, Suggests, dome_number_spread

# So many further cans of one machine are thought of, no more.
_MOST_FURTHER = 12
SURPRISING = 0.02


@dataclass(frozen=True)
class MachineShare:
    """A machine, its bad cans, and what it made in the time.

    Attributes:
        machine: its text, such as 3-7; `code` is what its cans bore.
        cans: bad cans of it.
        strokes: in the time in which the cans can have been made.
        share: of all strokes; of machines of which none are known, alike.
        expected: bad cans if each came from any machine by its strokes.
    """

    machine: str
    code: DomeCode
    cans: int
    strokes: int
    share: float
    expected: float


def shared(
    machines: Sequence[tuple[str, DomeCode]], counts: Sequence[int], strokes: Sequence[int]
) -> tuple[MachineShare, ...]:
    """Machines with their cans, strokes and shares; all alike where no strokes are known."""
    weights = list(strokes) if any(strokes) else [1] * len(strokes)
    total, cans = sum(weights), sum(counts)
    return tuple(
        MachineShare(text, code, count, made, weight / total, cans * weight / total)
        for (text, code), count, made, weight in zip(
            machines, counts, strokes, weights, strict=True
        )
    )


def spread_of(machines: Sequence[MachineShare]) -> Spread:
    """The exact chance of so uneven a spread."""
    return dome_number_spread(
        [one.cans for one in machines], [one.share for one in machines], SURPRISING
    )


def further_cans(machines: Sequence[MachineShare], spread: Spread) -> int | None:
    """How many further cans, all of the most striking machine, would suggest it; None: too many."""
    if spread.suggests is not Suggests.NOTHING:
        return None
    counts = [one.cans for one in machines]
    shares = [one.share for one in machines]
    for more in range(1, _MOST_FURTHER + 1):
        counts[spread.machine] += 1
        if dome_number_spread(counts, shares, SURPRISING).suggests is Suggests.ONE_MACHINE:
            return more
    return None
