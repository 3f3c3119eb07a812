"""What signals are: the kinds of watch, their rate ratios, and how far each looks back."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np

from tracelog.language import _, figure
from tracelog.stats.inputs import FloatArray
from tracelog.stats.watch_limits import handicaps_of

DAY = 86_400.0
# False signals of the whole plant in a week, unless somebody set another figure.
USUAL_BUDGET = 1.0
LEAST_BUDGET, MOST_BUDGET = 0.05, 20.0
# Baselines are learned from so many days, which end so many days before them: first after two
# weeks, then every four.
BASELINE_DAYS, LAG_DAYS = 365, 91
FIRST_DAYS, EPOCH_DAYS = 14, 28
# A kind of defect with fewer entries a machine than these is learned from up to so many years.
ENOUGH_ENTRIES, MOST_YEARS = 100, 3
# Thresholds are worked out anew with every third of these.
THRESHOLD_EPOCHS = 3
# All kinds of defect of a machine together, for the watch on a silent log.
ANY_DEFECT = ""
# What ended longer ago is history, shown only when asked for.
RECENT_DAYS = 28


class Kind(StrEnum):
    """What left its baseline, and how."""

    RISE = "rise"
    FALL = "fall"
    SILENT = "silent"


class Decision(StrEnum):
    """What a person decides about a signal."""

    ACKNOWLEDGED = "acknowledged"
    ATTACHED = "attached"
    DISMISSED = "dismissed"


RATIOS: dict[Kind, tuple[float, ...]] = {
    Kind.RISE: (1.5, 2.5, 5.0),
    Kind.FALL: (1 / 5.0, 1 / 2.5, 1 / 1.5),
    Kind.SILENT: (0.0,),
}
# What each ratio's threshold is above the one that is told, which is that of 2.5 times the rate.
# Small ratios are told late, so more of the budget is spent on them.
HANDICAPS: dict[Kind, FloatArray] = {
    Kind.RISE: handicaps_of(RATIOS[Kind.RISE], 2.5, 1.3),
    Kind.FALL: np.zeros(len(RATIOS[Kind.FALL])),
    Kind.SILENT: np.zeros(1),
}
# How the budget is shared: most of it goes to what costs cans.
SHARES: dict[Kind, float] = {Kind.RISE: 0.8, Kind.FALL: 0.1, Kind.SILENT: 0.1}


@dataclass(frozen=True)
class SignalKey:
    """What a signal is known by. `defect` is empty where all kinds are watched together."""

    machine: str
    defect: str
    kind: Kind
    raised_at: datetime


def rule_of(kind: Kind, ratio: float, threshold: float) -> str:
    """What was reached, in words.

    Example:
        >>> rule_of(Kind.RISE, 2.5, 6.91)
        'evidence for 2.5 times the baseline rate reached 6.9'
    """
    if kind is Kind.SILENT:
        return _(
            "evidence that nothing is logged any more reached %(limit)s",
            limit=figure(threshold, ".1f"),
        )
    if kind is Kind.FALL:
        return _(
            "evidence for a rate of 1/%(ratio)s of the baseline reached %(limit)s",
            ratio=figure(1 / ratio, "g"),
            limit=figure(threshold, ".1f"),
        )
    return _(
        "evidence for %(ratio)s times the baseline rate reached %(limit)s",
        ratio=figure(ratio, "g"),
        limit=figure(threshold, ".1f"),
    )
