"""The ordinary chart on simulated plants: three-sigma limits on daily counts, with run rules."""

import numpy as np

from tracelog.stats.attributes import u_chart
from tracelog.stats.inputs import FloatArray
from tracelog.stats.run_rules import western_electric
from tracelog.trends.signals.evidence import Evidence
from tracelog.trends.signals.rules import DAY


def _daily(evidence: Evidence, machine: int, defect: int) -> tuple[FloatArray, FloatArray]:
    own = (evidence.log.machine == machine) & (evidence.log.defect == defect)
    days = (evidence.log.at[own] // DAY).astype(np.intp)
    strokes = evidence.strokes[machine]
    assert strokes is not None
    counts = np.bincount(days, minlength=len(evidence.day_ends) - 1).astype(np.float64)
    return counts, np.diff(strokes.counted_at(evidence.day_ends))


def ordinary_days(evidence: Evidence, machine: int, defect: int, first: int) -> list[int]:
    """Days from `first` on on which the ordinary chart calls, limits from the days before."""
    counts, made = _daily(evidence, machine, defect)
    baseline = np.arange(len(counts)) < first
    if not counts[baseline].any():
        return [int(day) for day in np.flatnonzero(counts) if day >= first]
    chart = u_chart(counts, np.maximum(made, 1.0), baseline)
    sigma = (chart.upper - chart.centre) / 3
    standard = np.nan_to_num((chart.statistic - chart.centre) / np.maximum(sigma, 1e-300))
    days = {int(day) for hits in western_electric(standard) for day in hits.points}
    return sorted(day for day in days if day >= first and standard[day] > 0)
