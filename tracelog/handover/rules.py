"""What of a shift is worth a word: decisions that need no database."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tracelog.handover.facts import About
from tracelog.stats.compare import compare_rates
from tracelog.stats.multiplicity import benjamini_hochberg

# Share of the named machines that may be named by chance alone.
FALSE_DISCOVERIES = 0.05


@dataclass(frozen=True)
class ShiftCount:
    """Happenings and strokes of one machine: in the shift, and in the 28 days before it."""

    machine: str
    happenings: int
    strokes: int
    happenings_before: int
    strokes_before: int


@dataclass(frozen=True)
class StandsOut:
    """A machine whose rate in the shift differs from its own before, beyond chance.

    `adjusted_p` is the two-sided exact conditional p-value after Benjamini and Hochberg over all
    machines of the plant; `usual` the happenings to be expected at its rate before.
    """

    count: ShiftCount
    usual: float
    ratio: float
    adjusted_p: float


def standing_out(counts: Sequence[ShiftCount]) -> list[StandsOut]:
    """Machines that did differ from their own last 28 days, the surest first.

    Every machine with strokes on both sides is tested by the exact conditional test of two
    Poisson rates, and the p-values are adjusted together (Benjamini and Hochberg 1995), so that
    32 machines do not yield a name every shift. Without entries on either side nothing is said.

    Args:
        counts: one for each machine.
    """
    tested = [
        one
        for one in counts
        if one.strokes > 0 and one.strokes_before > 0 and one.happenings + one.happenings_before > 0
    ]
    if not tested:
        return []
    compared = [
        compare_rates(one.happenings, one.strokes, one.happenings_before, one.strokes_before)
        for one in tested
    ]
    adjusted = benjamini_hochberg([one.p_value for one in compared])
    found = [
        StandsOut(
            count,
            count.happenings_before * count.strokes / count.strokes_before,
            result.ratio,
            float(p_value),
        )
        for count, result, p_value in zip(tested, compared, adjusted, strict=True)
        if p_value <= FALSE_DISCOVERIES
    ]
    return sorted(found, key=lambda one: (one.adjusted_p, one.count.machine))


def pressing(about: str) -> int:
    """Where a note stands among others by what it is about: safety first, 0.

    Args:
        about: one of the words of `handover.facts.About`.
    """
    return [one.value for one in About].index(about)


def per_hour(machines: Iterable[tuple[int, float]]) -> float:
    """Strokes per hour of machines together.

    Args:
        machines: of each its strokes, and the hours in which they were made: real ones (11 or 13
            in a night in which the clock is changed), and only those for which its counter is
            known.

    Example:
        >>> per_hour([(11_000, 11.0), (4_000, 2.0)])
        3000.0
    """
    return sum(made / hours for made, hours in machines if hours > 0)
