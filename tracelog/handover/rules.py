"""What of a shift is worth a word: decisions that need no database."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tracelog.handover.facts import About
from tracelog.stats.compare import compare_rates
from tracelog.stats.multiplicity import benjamini_hochberg

# Share of the named machines that may be named by chance alone.
FALSE_DISCOVERIES = 0.05
PER = 1_000_000


@dataclass(frozen=True)
class ShiftCount:
    """Happenings and strokes of one machine: in the shift, and in the 28 days before it."""

    machine: str
    happenings: int
    strokes: int
    happenings_before: int
    strokes_before: int


@dataclass(frozen=True)
class Spoilage:
    """Cans lost in running production against strokes, and what is usual; per million strokes.

    `rate`, `low` and `high` are None without strokes, `usual` without strokes before.
    """

    cans: int
    strokes: int
    rate: float | None
    low: float | None
    high: float | None
    usual: float | None

    @property
    def is_unusual(self) -> bool:
        """Whether the usual lies outside the 95 % interval."""
        return (
            self.usual is not None
            and self.low is not None
            and self.high is not None
            and not self.low <= self.usual <= self.high
        )


@dataclass(frozen=True)
class DefectShift:
    """A kind of defect in the shift: entries, happenings, and the entries that the 28 days before
    lead to expect; `adjusted_p` as in `StandsOut`, over all kinds. None: nothing to compare.

    Entries are compared and not happenings: forty cans in one entry are one event.
    """

    defect: str
    title: str
    entries: int
    happenings: int
    usual: float | None
    ratio: float | None
    adjusted_p: float | None

    @property
    def is_told(self) -> bool:
        """Whether it was found in the shift, or is missing beyond chance."""
        return self.entries > 0 or self.is_unusual

    @property
    def is_unusual(self) -> bool:
        """Whether it differs beyond chance, over all kinds together."""
        return self.adjusted_p is not None and self.adjusted_p <= FALSE_DISCOVERIES


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


def spoilage(
    lost: Sequence[int], strokes: int, shifts_before: Sequence[int], strokes_before: int
) -> Spoilage:
    """Cans lost per million strokes, with a 95 % interval that knows that cans come in bunches.

    An entry of forty cans is one event and not forty, and a shift without such an entry has not
    shown that there are none: the sum is taken as w times a Poisson count whose exact limits
    (Garwood 1936) are scaled by w. w is the larger of sum c^2 / sum c over the cans c of the
    shift's entries, and of variance over mean of the cans lost in the shifts before; at least 1.
    Source: scaled Poisson approximation of a compound Poisson sum; Bohm and Zech (2014), Nuclear
    Instruments and Methods A 748:1-6 (from memory).

    Args:
        lost: cans of each entry of running production.
        strokes: strokes beside them, 0 or more.
        shifts_before: cans lost in each of the shifts before.
        strokes_before: strokes of all these shifts.

    Example:
        >>> found = spoilage([1] * 10, 1_000_000, [], 0)
        >>> round(found.rate, 1), round(found.low, 2), round(found.high, 2)
        (10.0, 4.8, 18.39)
    """
    from scipy.special import gammainccinv, gammaincinv

    cans, before = sum(lost), sum(shifts_before)
    usual = PER * before / strokes_before if strokes_before > 0 else None
    if strokes <= 0:
        return Spoilage(cans, 0, None, None, None, usual)
    bunch = sum(one * one for one in lost) / cans if cans else 1.0
    if before and len(shifts_before) > 1:
        mean = before / len(shifts_before)
        scatter = sum((one - mean) ** 2 for one in shifts_before) / (len(shifts_before) - 1)
        bunch = max(bunch, scatter / mean)
    events, scale = cans / bunch, PER * bunch / strokes
    low = float(gammaincinv(events, 0.025)) * scale if cans else 0.0
    high = float(gammainccinv(events + 1, 0.025)) * scale
    return Spoilage(cans, strokes, PER * cans / strokes, low, high, usual)


def against_usual(
    found: Sequence[tuple[str, str, int, int, int, int]], strokes: int, strokes_before: int
) -> list[DefectShift]:
    """Kinds of defect against what is usual, those that differ most surely first.

    Args:
        found: of each kind its code, its title, entries, happenings, entries for which strokes
            are known, and entries before.
        strokes, strokes_before: of the plant, in the shift and in the time before.
    """
    if strokes <= 0 or strokes_before <= 0:
        return [
            DefectShift(defect, title, entries, happenings, None, None, None)
            for defect, title, entries, happenings, _known, _before in found
        ]
    compared = [compare_rates(one[4], strokes, one[5], strokes_before) for one in found]
    if not compared:
        return []
    adjusted = benjamini_hochberg([one.p_value for one in compared])
    told = [
        DefectShift(
            *(defect, title, entries, happenings),
            *(before * strokes / strokes_before, result.ratio, float(p_value)),
        )
        for (defect, title, entries, happenings, _known, before), result, p_value in zip(
            found, compared, adjusted, strict=True
        )
    ]
    return sorted(told, key=lambda one: (one.adjusted_p, -one.happenings, one.defect))
