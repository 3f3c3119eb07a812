"""What a machine is expected to make from an instant on, day by day, and how sure that is.

Pure. Strokes made by the end of a day are a sum over days, whose mean and variance are known in
closed form (see `stats.drift`); a machine never takes strokes back, so the day on which it has
made so many is no later than a day exactly if it has made as many by the end of it. No
simulation is needed.
"""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from scipy.special import ndtr

from tracelog.service.running import Running
from tracelog.stats.drift import Drift, Levels, sum_variances
from tracelog.stats.inputs import FloatArray, IntArray

# A machine that stands has stood for so long with this chance in the end, in times of how long it
# has stood already: quantiles of 1/16, 3/16 … of P(longer than r) = 1 / (1 + r).
_STILL_STANDS = tuple(u / (1 - u) for u in ((2 * number + 1) / 16 for number in range(8)))
# Looks at a past in which nothing ever varied.
_ENDLESS = 1e9


@dataclass(frozen=True)
class Part:
    """One of the two things that move a machine's strokes, speed or running time.

    Variances are shares of the mean, squared; `levels` has one row for each machine.
    """

    levels: Levels
    drift: Drift
    inflated: float

    def variances(self, expected: FloatArray) -> FloatArray:
        """What it adds to the variance of strokes made by the end of each day."""
        return sum_variances(expected, self.levels, self.drift, self.inflated)

    def of(self, row: int) -> "Part":
        """Of one machine."""
        own = slice(row, row + 1)
        levels = Levels(
            self.levels.level[own],
            self.levels.drift[own],
            self.levels.level_variance[own],
            self.levels.together[own],
            self.levels.drift_variance[own],
        )
        return Part(levels, self.drift, self.inflated)


@dataclass(frozen=True)
class LongStops:
    """How often a machine stands for a day or longer though nothing is planned, and how long.

    `a_day` is how often in a running day; `days` and `squared_days` the mean and mean square of
    how long, in running days lost. `idle_days`: how long it has stood already; 0: it runs.
    """

    a_day: float
    days: float
    squared_days: float
    idle_days: float


@dataclass(frozen=True)
class Lost:
    """What services take away, in cases: several for each number of strokes asked about.

    Attributes:
        asked: which of the numbers asked about the case belongs to, ascending.
        chance: of the case; those of one number add up to one.
        strokes: lost in that case.
        variance: of that figure.
    """

    asked: IntArray
    chance: FloatArray
    strokes: FloatArray
    variance: FloatArray

    def mean(self, count: int) -> FloatArray:
        """Strokes lost in the mean of the cases, for each of `count` numbers asked about."""
        return np.bincount(self.asked, self.chance * self.strokes, count).astype(np.float64)


@dataclass(frozen=True)
class Outlook:
    """What one machine is expected to make from an instant on.

    Strokes count from its last reading, so that what it made since that reading is in the first
    day. Stops for services are not in it.

    Attributes:
        days: days of the plant's clock; the first is that of the instant (its rest).
        mean: strokes expected by the end of each of these days.
        deviation: standard deviation of that figure.
        hours_up: hours of each day in which the machine is not in a planned stop.
        expected: strokes of each day if no long stop comes.
        running_days: usual running days by the end of each day.
        variance: of the strokes by the end of each day if no long stop comes.
        noise: variance of what each day has of its own.
        looks: how many independent looks at the past that variance rests on.
        an_hour: strokes of an hour of its usual week, stops of every day taken in.
        stops: what long stops are to be expected.
        parts: speed and running time.
    """

    days: tuple[date, ...]
    mean: FloatArray
    deviation: FloatArray
    hours_up: FloatArray
    expected: FloatArray
    running_days: FloatArray
    variance: FloatArray
    noise: FloatArray
    looks: FloatArray
    an_hour: float
    stops: LongStops
    parts: tuple[Part, ...]

    @property
    def strokes_a_day(self) -> float:
        """Strokes of a usual running day, over the whole outlook."""
        return float(self.expected.sum() / max(float(self.running_days[-1]), 1e-9))

    def first(self, days: int) -> "Outlook":
        """The same of its first `days` days: what is told of a day rests on no later one."""
        return replace(
            self,
            **{
                name: getattr(self, name)[:days]
                for name in (
                    *("days", "mean", "deviation", "hours_up", "expected"),
                    *("running_days", "variance", "noise", "looks"),
                )
            },
        )

    def between(self, first: date | None, last: date) -> tuple[float, float]:
        """Mean and deviation of the strokes from the end of day `first` to that of `last`.

        Args:
            first: the day before the stretch; None: from the instant on.
            last: last day of the stretch.

        Raises:
            ValueError: a day that the outlook does not reach, or `last` before `first`.
        """
        start = -1 if first is None else self._place(first)
        end = self._place(last)
        if end < start:
            raise ValueError(f"{last} lies before {first}")
        if end == start:
            return 0.0, 0.0
        if start < 0:
            return float(self.mean[end]), float(self.deviation[end])
        part = self.expected[: end + 1].copy()
        part[: start + 1] = 0.0
        variance = sum(float(one.variances(part[None, :])[0, -1]) for one in self.parts)
        variance += float(self.noise[start + 1 : end + 1].sum())
        return float(self.mean[end] - self.mean[start]), float(np.sqrt(variance))

    def _place(self, day: date) -> int:
        place = (day - self.days[0]).days
        if not 0 <= place < len(self.days):
            raise ValueError(f"{day} is beyond the outlook, {self.days[0]} to {self.days[-1]}")
        return place

    def chances(self, strokes: FloatArray, lost: Lost) -> FloatArray:
        """Chance that so many strokes have been made by the end of each day.

        Args:
            strokes: any number of them.
            lost: what services up to then take away from each.

        Returns:
            One row for each, one column for each day; never falling along a row.
        """
        needed = (strokes[lost.asked] + lost.strokes)[:, None]
        a_day = np.cumsum(self.expected) / np.maximum(self.running_days, 1e-9)
        cases = np.zeros((len(lost.asked), len(self.days)))
        for weight, days, squared, left in self._stories():
            mean = np.cumsum(self.expected) - days * a_day
            variance = self.variance * left + squared * a_day**2 + lost.variance[:, None]
            apart = (needed - mean) / np.sqrt(np.maximum(variance, 1e-9))
            cases += weight * ndtr(-self._normal(apart))
        found = np.zeros((len(strokes), len(self.days)))
        np.add.at(found, lost.asked, lost.chance[:, None] * cases)
        return np.maximum.accumulate(found, axis=1)

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean and deviation of the strokes by the end of each day, long stops included."""
        made = np.cumsum(self.expected)
        a_day = made / np.maximum(self.running_days, 1e-9)
        mean, square = np.zeros(len(made)), np.zeros(len(made))
        for weight, days, squared, left in self._stories():
            own = np.maximum(made - days * a_day, 0.0)
            mean += weight * own
            square += weight * (own**2 + self.variance * left + squared * a_day**2)
        mean = np.maximum.accumulate(mean)
        return mean, np.sqrt(np.maximum(square - mean**2, 0.0))

    def _normal(self, apart: FloatArray) -> FloatArray:
        """Standard normal figures of the same chance as the standardised strokes.

        Those follow Student's distribution, since variances come from a past of limited length
        (Abramowitz and Stegun 1972, 26.7.8).
        """
        return np.asarray(
            apart * (1 - 1 / (4 * self.looks)) / np.sqrt(1 + apart**2 / (2 * self.looks))
        )

    def _stories(self) -> list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]]:
        """What long stops may bring: chance, days lost, their variance, share of days left."""
        none, whole = np.zeros(len(self.days)), np.ones(len(self.days))
        if self.stops.idle_days > 0:
            stories = []
            for times in _STILL_STANDS:
                days = np.minimum(times * self.stops.idle_days, self.running_days)
                left = 1 - days / np.maximum(self.running_days, 1e-9)
                stories.append((whole / len(_STILL_STANDS), days, none, left))
            return stories
        often = self.stops.a_day * self.running_days
        any_stop = np.maximum(-np.expm1(-often), 1e-12)
        days = often * self.stops.days / any_stop
        squared = (often * self.stops.squared_days + (often * self.stops.days) ** 2) / any_stop
        variance = np.maximum(squared - days**2, 0.0)
        return [(1 - any_stop, none, none, whole), (any_stop, days, variance, whole)]


def outlooks_of(
    running: Running,
    days: tuple[date, ...],
    hours_up: FloatArray,
    week_hours: FloatArray,
    stops: tuple[LongStops, ...],
) -> list[Outlook]:
    """The outlook of every machine.

    Args:
        running: how the machines run, as of the end of the day before the first.
        days: consecutive days of the plant's clock.
        hours_up: hours outside planned stops, machines by days.
        week_hours: the same, each hour weighted with the share of its shift in the usual week.
        stops: what long stops are to be expected of each machine.
    """
    speed, running_time = running.speed, running.running_time
    steps = np.arange(1, len(days) + 1)
    expected = running.unit[:, None] * week_hours
    parts = []
    for levels, drift in ((speed, running.speed_drift), (running_time, running.running_drift)):
        faded = drift.keeps**steps
        expected = expected * np.maximum(levels.level[:, None] + levels.drift[:, None] * faded, 0)
        parts.append(_relative(levels, drift))
    own_noise = (
        (running.running_drift.noise / np.maximum(running_time.level, 0.05) ** 2)[:, None]
        * 24
        / np.maximum(week_hours, 1.0)
    )
    own_noise += (running.speed_drift.noise / np.maximum(speed.level, 0.05) ** 2)[:, None]
    noise = expected**2 * own_noise
    pieces = [part.variances(expected) for part in parts]
    pieces.append(np.cumsum(noise, axis=1))
    variance = np.maximum(sum(pieces), 1e-9)
    looks = (running.speed_drift.seen, running.running_drift.seen, max(running.days.sum(), 3.0))
    spread = sum(piece**2 / max(seen, 3.0) for piece, seen in zip(pieces, looks, strict=True))
    seen_in_all = np.where(spread > 0, variance**2 / np.maximum(spread, 1e-300), _ENDLESS)
    usual = np.cumsum(week_hours, axis=1) / running.stood.day_hours[:, None]
    return [
        _outlook(
            days,
            (hours_up[row], expected[row], usual[row], variance[row], noise[row]),
            np.maximum(seen_in_all[row], 3.0),
            float(expected[row].sum() / max(float(week_hours[row].sum()), 1e-9)),
            stops[row],
            tuple(part.of(row) for part in parts),
        )
        for row in range(len(expected))
    ]


def _relative(levels: Levels, drift: Drift) -> Part:
    """The variances as shares of the level, with one look taken off for k, which was fitted too."""
    over = 1 / np.maximum(levels.level, 0.05)
    scale = float(np.mean(over)) ** 2
    relative = Levels(
        levels.level,
        levels.drift,
        levels.level_variance * over**2,
        levels.together * over**2,
        levels.drift_variance * over**2,
    )
    moved = Drift(drift.keeps, drift.variance * scale, drift.noise * scale, drift.seen)
    return Part(relative, moved, drift.seen / (drift.seen - 1) if drift.seen > 2 else 2.0)


def _outlook(
    days: tuple[date, ...],
    arrays: tuple[FloatArray, ...],
    looks: FloatArray,
    an_hour: float,
    stops: LongStops,
    parts: tuple[Part, ...],
) -> Outlook:
    hours_up, expected, running_days, variance, noise = arrays
    none = np.zeros(len(days))
    found = Outlook(
        *(days, none, none, hours_up, expected, running_days, variance, noise, looks),
        *(an_hour, stops, parts),
    )
    mean, deviation = found.moments()
    return replace(found, mean=mean, deviation=deviation)
