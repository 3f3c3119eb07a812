"""Signals on simulated plants: how often they are false, and how late they come.

Null plants: a year is learned from, the next is counted; of young plants the half year after the
first two weeks. Next to it the ordinary chart, three-sigma limits on daily counts with the run
rules of Western Electric (1956). Delays: see `signal_delays`.
"""

import math
from dataclasses import dataclass

import click

from tests.bench.ordinary_chart import ordinary_days
from tests.bench.signal_delays import PASTS, YEAR, print_delays
from tests.trends.signals.streams import stream
from tracelog.stats.intervals import poisson_interval
from tracelog.terminal import print_table
from tracelog.trends.signals.evidence import Evidence
from tracelog.trends.signals.replay import replay
from tracelog.trends.signals.rules import DAY, FIRST_DAYS, Kind

_PLANTS = 8
_HALF = 182


@dataclass(frozen=True)
class NullCounts:
    """Signals a week on plants in which nothing changed, and the ordinary chart's alarms.

    `ordinary` is a week's, None where it was not asked for.
    """

    weeks: float
    by_kind: dict[Kind, int]
    ordinary: float | None

    @property
    def total(self) -> int:
        """All kinds together."""
        return sum(self.by_kind.values())


def null_counts(dispersion: float, past: int, days: int, seeds: range) -> NullCounts:
    """What plants give in so many days after so many of past; nothing changes in them."""
    found = dict.fromkeys(Kind, 0)
    ordinary, held = 0, 0
    for seed in seeds:
        plant = stream(seed, past + days, dispersion=dispersion)
        for one in replay(plant.evidence).signals:
            if one.raised_at >= past * DAY:
                found[one.kind] += 1
        # The ordinary chart needs a past, and two plants tell enough of it.
        if past >= YEAR and seed < seeds.start + 2:
            ordinary, held = ordinary + _ordinary_alarms(plant.evidence, past), held + 1
    weeks = days / 7
    return NullCounts(len(seeds) * weeks, found, ordinary / (held * weeks) if held else None)


def _ordinary_alarms(evidence: Evidence, past: int) -> int:
    return sum(
        len(ordinary_days(evidence, machine, defect, past))
        for machine in range(evidence.machines)
        for defect in range(len(evidence.defects))
    )


def print_null_counts(plants: int = _PLANTS, first_seed: int = 3000) -> None:
    """Print the table of false signals."""
    rows = []
    for past, days in ((YEAR, YEAR), (FIRST_DAYS, _HALF - FIRST_DAYS)):
        for dispersion in (1.0, 2.0):
            one = null_counts(dispersion, past, days, range(first_seed, first_seed + plants))
            sure = poisson_interval(one.total)
            rows.append(
                [
                    *(f"{past}", f"{dispersion:g}", f"{one.weeks:.0f}"),
                    *(f"{one.by_kind[kind] / one.weeks:.2f}" for kind in Kind),
                    f"{one.total / one.weeks:.2f} ± {math.sqrt(one.total) / one.weeks:.2f}",
                    f"{sure.low / one.weeks:.2f} to {sure.high / one.weeks:.2f}",
                    "" if one.ordinary is None else f"{one.ordinary:.0f}",
                ]
            )
    print_table(
        (
            *("days of past", "variance over mean", "weeks", *Kind, "together", "95 %"),
            "three sigma and run rules",
        ),
        rows,
        title="False signals a week; the budget is 1",
    )


def print_signalling() -> None:
    """Print all tables."""
    print_null_counts()
    for past_years in PASTS:
        click.echo()
        print_delays(past_years)
