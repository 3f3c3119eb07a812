"""A row of cans weighed: what it says, which stations that points to, and where to look next."""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.cases.sequence.rules import (
    Candidate,
    NextStep,
    Number,
    candidates,
    known_counts,
    likely_numbers,
    next_step,
    turns_of,
)
from tracelog.plant.part_rules import StationPartView
from tracelog.stats.next_sample import next_cans, unseen_can
from tracelog.stats.repeats import Repeats, find_repeats


@dataclass(frozen=True)
class Answer:
    """What a row of cans says.

    Attributes:
        line, taken_after, cans: the row.
        candidates: parts of the line's stations.
        weighed: the numbers.
        numbers: likely N, the likeliest first.
        step: what to do next.
    """

    line: int
    taken_after: str
    cans: str
    candidates: tuple[Candidate, ...]
    weighed: Repeats
    numbers: tuple[Number, ...]
    step: NextStep

    @property
    def known(self) -> tuple[int, ...]:
        """Counts that can show at that place."""
        return known_counts(self.candidates)


def weigh_row(line: int, taken_after: str, cans: str, parts: Sequence[StationPartView]) -> Answer:
    """Weigh a row of cans against the counts of a line.

    Args:
        line, taken_after: where it was taken.
        cans: a letter for each can in order.
        parts: of the line's stations.
    """
    found = candidates(parts, taken_after)
    known = known_counts(found)
    weighed = find_repeats(cans, known)
    numbers = likely_numbers(weighed, found)
    thought_of = turns_of(numbers, known)
    more = next_cans(weighed.weighed, len(cans), thought_of)
    step = next_step(weighed, numbers, more, unseen_can(weighed.weighed, cans), thought_of)
    return Answer(line, taken_after, cans, found, weighed, numbers, step)
