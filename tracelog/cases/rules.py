"""Whether a fix held: decided by the numbers, not by hope."""

import math
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
from tracelog.stats.looking import exposure_to_show_fall, log_evidence

# How sure the numbers must be.
CONFIDENCE = 0.95
# The ratio whose posterior chance is told beside it: a fall by half. Common practice, no source.
HALF = 0.5
_MOST_LOG = 690.0


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
        evidence: how many times likelier a fall makes what was seen, safely however often one
            looks; 20 is needed.
        probability_halved: posterior chance that the rate fell by half or more.
        strokes_to_halved: how many more strokes without a defect would make that 95 %; 0 when it
            is, None when that cannot be said.
    """

    verdict: Verdict
    before: Side
    after: Side
    posterior: RatioPosterior | None = None
    exact: RateComparison | None = None
    strokes_needed: int | None = None
    evidence: float | None = None
    probability_halved: float | None = None
    strokes_to_halved: int | None = None


def verify(before: Side, after: Side | None) -> Verification:
    """Compare before and after the last action.

    A fix held, or it is worse, when the evidence for that reaches 20
    (`stats.looking.log_evidence`): whoever looks as often as they like is told so by chance in at
    most 5 % of cases in which nothing changed. The posterior of the ratio and the exact
    conditional test stand beside it; each is right for one look at a time that was set before.

    Args:
        before: from the beginning of the trouble to the action.
        after: since the action; None: there was no action.
    """
    if after is None:
        return Verification(Verdict.NO_ACTION, before, Side(0, 0))
    if before.strokes <= 0 or after.strokes <= 0:
        return Verification(Verdict.NO_STROKES, before, after)
    sides = (before.happenings, before.strokes, after.happenings, after.strokes)
    posterior = rate_ratio_posterior(*sides)
    halved = rate_ratio_posterior(*sides, below=HALF).probability_below
    exact = compare_rates(after.happenings, after.strokes, before.happenings, before.strokes)
    needed = -math.log(1 - CONFIDENCE)
    fell, rose = float(log_evidence(*sides)), float(log_evidence(*sides, which="rose"))
    verdict = Verdict.HELD if fell >= needed else Verdict.WORSE if rose >= needed else Verdict.OPEN
    return Verification(
        verdict,
        before,
        after,
        posterior,
        exact,
        0 if verdict is Verdict.HELD else _strokes_needed(before, after),
        evidence=math.exp(min(fell, _MOST_LOG)),
        probability_halved=halved,
        strokes_to_halved=_strokes_to_halved(before, after, halved),
    )


def came_back(held_at: datetime, raised: Iterable[datetime]) -> datetime | None:
    """When the defect of a case that ended as held came back: its first signal since, or None.

    Args:
        held_at: when the case ended, UTC.
        raised: when each signal was raised that says that its rate is up and is still on, UTC.
    """
    return min((at for at in raised if at > held_at), default=None)


def _strokes_needed(before: Side, after: Side) -> int | None:
    """Strokes still to be made without a happening until the evidence says that the fix held."""
    total = exposure_to_show_fall(before.happenings, before.strokes, after.happenings)
    return None if math.isinf(total) else max(0, int(total - after.strokes) + 1)


def _strokes_to_halved(before: Side, after: Side, chance: float) -> int | None:
    """Strokes still to be made without one until it is 95 % sure that the rate fell by half."""
    if before.happenings == 0:
        return None
    if chance >= CONFIDENCE:
        return 0
    total = exposure_to_confirm(before.happenings, before.strokes, after.happenings, HALF)
    return max(0, int(total - after.strokes) + 1)
