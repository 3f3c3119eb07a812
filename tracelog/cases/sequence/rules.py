"""What a repeat points to: which stations can show at a place, and where to look next. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from tracelog import reference
from tracelog.plant.part_rules import StationPartView, station_order
from tracelog.stats.next_sample import NextCans, UnseenCan
from tracelog.stats.repeats import Repeat, Repeats

# Cans of a bodymaker meet all of its parts alike.
_NOT_IN_TURN = frozenset({"bodymaker"})
# From this probability on, one of the answers is taken to be settled for now.
SETTLED = 0.8
# An N below this is not named among the likely ones.
WORTH_NAMING = 0.05
# And below this no full turn of it is thought of as a sample.
_WORTH_A_TURN = 0.15
_MOST_NUMBERS = 5
# A can that was not looked at is asked for first if it tells so much of what a sample would.
_UNSEEN_SHARE = 0.5


class StepKind(StrEnum):
    """What to do next.

    `between`: sample between two stations that share a count; `look`: at the parts of one
    station; `counts`: no station known here has so many; `unseen`: look at a can of the row;
    `cans`: take more; `nothing`: nothing repeats; `alike`: every can has it.
    """

    BETWEEN = "between"
    LOOK = "look"
    COUNTS = "counts"
    UNSEEN = "unseen"
    CANS = "cans"
    NOTHING = "nothing"
    ALIKE = "alike"


@dataclass(frozen=True)
class Candidate:
    """Parts of a station that have the count of a repeat; whether they can show at that place."""

    part: StationPartView
    can_show: bool


@dataclass(frozen=True)
class Number:
    """An N with its probability, its likeliest places and the parts that have it."""

    every: int
    probability: float
    best: Repeat
    candidates: tuple[Candidate, ...]

    @property
    def showing(self) -> tuple[StationPartView, ...]:
        """Parts of that count that can show there, in the order of the process."""
        return tuple(one.part for one in self.candidates if one.can_show)


@dataclass(frozen=True)
class NextStep:
    """What to do next.

    Attributes:
        kind: what.
        cans: how many cans to take; 0: none.
        first: number of the first of them in the row; of a can to look at, that can; else 0.
        bits: information expected from it.
        turns_of: N whose full turns the cans are; 0: none.
        before, behind: stations that the sample tells apart.
    """

    kind: StepKind
    cans: int = 0
    first: int = 0
    bits: float = 0.0
    turns_of: int = 0
    before: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()


def can_show(station: str, taken_after: str) -> bool:
    """Whether a fault of one part of a station still repeats in cans taken in order elsewhere.

    It does as long as nothing between mixes the cans. Cans of a bodymaker meet all its parts
    alike, so that none of these repeats. Of stations that nobody knows only the place itself is
    taken to show.
    """
    if station in _NOT_IN_TURN:
        return False
    if station == taken_after:
        return True
    flow = {one.station: one for one in reference.stations() if one.order is not None}
    if station not in flow or taken_after not in flow:
        return False
    first, last = flow[station].order or 0, flow[taken_after].order or 0
    between = [one for one in flow.values() if first <= (one.order or 0) < last]
    return first < last and all(one.keeps_order for one in between)


def candidates(parts: Sequence[StationPartView], taken_after: str) -> tuple[Candidate, ...]:
    """All parts that come round in turn, and whether each can show at a place."""
    return tuple(
        Candidate(one, can_show(one.station, taken_after)) for one in parts if one.count > 1
    )


def known_counts(found: Sequence[Candidate]) -> tuple[int, ...]:
    """Counts of the parts that can show, rising."""
    return tuple(sorted({one.part.count for one in found if one.can_show}))


def likely_numbers(weighed: Repeats, found: Sequence[Candidate]) -> tuple[Number, ...]:
    """The likely N, each with the parts that have it; the likeliest one always."""
    best: dict[int, Repeat] = {}
    for one in weighed.repeats:
        best.setdefault(one.every, one)
    named = [
        Number(
            every,
            probability,
            best[every],
            tuple(one for one in found if one.part.count == every),
        )
        for every, probability in weighed.by_every
        if every in best
    ]
    return tuple(
        one for place, one in enumerate(named) if place == 0 or one.probability >= WORTH_NAMING
    )[:_MOST_NUMBERS]


def multiples(every: int, found: Sequence[Candidate]) -> tuple[StationPartView, ...]:
    """Parts that can show, of which N is two or three times the count: machines side by side."""
    return tuple(
        one.part
        for one in found
        if one.can_show and every in (2 * one.part.count, 3 * one.part.count)
    )


def turns_of(numbers: Sequence[Number], known: Sequence[int]) -> tuple[int, ...]:
    """The N whose full turns are thought of as a further sample."""
    likely = tuple(one.every for one in numbers if one.probability >= _WORTH_A_TURN)
    return likely or tuple(known) or (12, 24)


def next_step(
    weighed: Repeats,
    numbers: Sequence[Number],
    more: NextCans,
    unseen: UnseenCan | None,
    thought_of: Sequence[int],
) -> NextStep:
    """What to do next.

    Args:
        weighed: the row.
        numbers: its likely N, the likeliest first.
        more: the further cans that would tell most for the trouble.
        unseen: the can of the row that was not looked at and would tell most.
        thought_of: the N of whose full turns `more` is.
    """
    if weighed.alike >= SETTLED:
        return NextStep(StepKind.ALIKE)
    if numbers and numbers[0].probability >= SETTLED:
        return _where(numbers[0])
    if weighed.chance >= SETTLED and weighed.bad:
        return NextStep(StepKind.NOTHING)
    if unseen is not None and unseen.bits > max(_UNSEEN_SHARE * more.bits, 0.05):
        return NextStep(StepKind.UNSEEN, cans=1, first=unseen.can, bits=unseen.bits)
    if not more.cans:
        return NextStep(StepKind.NOTHING)
    whole = [one for one in thought_of if more.cans % one == 0]
    return NextStep(
        StepKind.CANS, more.cans, weighed.cans + 1, more.bits, turns_of=max(whole, default=0)
    )


def _where(number: Number) -> NextStep:
    stations = sorted({one.station for one in number.showing}, key=station_order)
    if not stations:
        return NextStep(StepKind.COUNTS, turns_of=number.every)
    if len(stations) == 1:
        return NextStep(StepKind.LOOK, turns_of=number.every, before=(stations[0],))
    # As many stations before the cut as behind it tell most, as all are alike likely.
    half = len(stations) // 2
    return NextStep(
        StepKind.BETWEEN,
        cans=2 * number.every,
        first=1,
        bits=1.0,
        turns_of=number.every,
        before=tuple(stations[:half]),
        behind=tuple(stations[half:]),
    )
