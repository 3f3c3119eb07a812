"""Whether a fix held: decided by the numbers, not by hope."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from tracelog.stats.compare import (
    RateComparison,
    RatioPosterior,
    compare_rates,
    exposure_to_confirm,
    rate_ratio_posterior,
)

# How sure the numbers must be.
CONFIDENCE = 0.95


class Verdict(StrEnum):
    """What the numbers say of a fix."""

    NO_ACTION = "no action yet"
    NO_STROKES = "nothing to compare yet"
    HELD = "held"
    OPEN = "not sure yet"
    WORSE = "worse"


@dataclass(frozen=True)
class Side:
    """Happenings and strokes before, or after, the action."""

    happenings: int
    strokes: int

    @property
    def per_million(self) -> float | None:
        """Happenings per million strokes, None without strokes."""
        return 1e6 * self.happenings / self.strokes if self.strokes else None


@dataclass(frozen=True)
class Verification:
    """The comparison of before and after an action.

    Attributes:
        before, after: what was seen.
        posterior: of the rate after over the rate before; None without strokes on both sides.
        exact: the exact conditional test, after against before.
        strokes_needed: how many more strokes without a defect would show that the fix held; 0
            when it is shown, None when that cannot be said.
    """

    verdict: Verdict
    before: Side
    after: Side
    posterior: RatioPosterior | None = None
    exact: RateComparison | None = None
    strokes_needed: int | None = None


def verify(before: Side, after: Side | None) -> Verification:
    """Compare before and after the last action.

    A fix held when both say so: the posterior chance that the rate fell is at least 95 %
    (`stats.compare.rate_ratio_posterior`), and the exact conditional test of a fall has a
    one-sided p-value of at most 5 %. It is worse when both say so of a rise.

    Args:
        before: from the beginning of the trouble to the action.
        after: since the action; None: there was no action.
    """
    if after is None:
        return Verification(Verdict.NO_ACTION, before, Side(0, 0))
    if before.strokes <= 0 or after.strokes <= 0:
        return Verification(Verdict.NO_STROKES, before, after)
    posterior = rate_ratio_posterior(
        before.happenings, before.strokes, after.happenings, after.strokes
    )
    exact = compare_rates(after.happenings, after.strokes, before.happenings, before.strokes)
    limit = 1 - CONFIDENCE
    if posterior.probability_below >= CONFIDENCE and exact.p_less <= limit:
        return Verification(Verdict.HELD, before, after, posterior, exact, 0)
    worse = posterior.probability_below <= limit and exact.p_greater <= limit
    return Verification(
        Verdict.WORSE if worse else Verdict.OPEN,
        before,
        after,
        posterior,
        exact,
        _strokes_needed(before, after),
    )


def came_back(held_at: datetime, raised: Iterable[datetime]) -> datetime | None:
    """When the defect of a case that ended as held came back: its first signal since, or None.

    Args:
        held_at: when the case ended, UTC.
        raised: when each signal was raised that says that its rate is up and is still on, UTC.
    """
    return min((at for at in raised if at > held_at), default=None)


def _strokes_needed(before: Side, after: Side) -> int | None:
    """Strokes still to be made without a happening until both would say that the fix held."""
    if before.happenings == 0:
        return None
    by_posterior = exposure_to_confirm(before.happenings, before.strokes, after.happenings)
    total = max(by_posterior, _by_exact_test(before, after))
    return max(0, int(total - after.strokes) + 1)


def _by_exact_test(before: Side, after: Side) -> float:
    """Strokes after at which the exact one-sided test reaches 5 %, with no further happening.

    The p-value falls steadily with the strokes, so that halving finds the place.
    """
    low, high = 1.0, 1.0

    def p_value(strokes: float) -> float:
        return compare_rates(
            after.happenings, strokes, before.happenings, float(before.strokes)
        ).p_less

    while p_value(high) > 1 - CONFIDENCE:
        low, high = high, high * 2
        if high > 1e15:
            return high
    while high - low > 1:
        middle = (low + high) / 2
        low, high = (low, middle) if p_value(middle) <= 1 - CONFIDENCE else (middle, high)
    return high
