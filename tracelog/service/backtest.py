"""How well forecasts did: made anew at many instants of the past, and held against what came.

Pure. At each origin only what was known then is used. What is forecast is when a machine will
have made so many more strokes; the truth is when its counter passed them, also where a service
was done before. What is chosen depends on nothing that came after the origin: a forecast counts
if its own interval, and half as much again, ends before the history does.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracelog.service.clock_hours import ClockHours, sums_before
from tracelog.service.habits import Stands
from tracelog.service.prospects import Future, prospects_of
from tracelog.service.rules import Expected, Level
from tracelog.service.running import Past
from tracelog.service.standstills import ServedAt
from tracelog.stats.inputs import FloatArray

HORIZONS = (7, 14, 30, 60, 90)
_NAIVE_DAYS = 7
_DAY = 86_400.0


@dataclass(frozen=True)
class History:
    """All hours of a plant's history.

    Attributes:
        hours: whole days.
        strokes: machines by hours; not a number where they are not known.
        rated: rated strokes an hour of each machine; not a number where it is not known.
        served: services done, each with its highest level, hours counted from the first.
        done: for each machine, instants (seconds) at which each level was done, also as part of
            a higher one, in order.
    """

    hours: ClockHours
    strokes: FloatArray
    rated: FloatArray
    served: tuple[ServedAt, ...]
    done: tuple[Mapping[str, Sequence[float]], ...]


@dataclass(frozen=True)
class Origin:
    """An instant from which is forecast, and the calendar as it was known then.

    `outside` is of the hours of the past, `future` of the days ahead.
    """

    second: float
    outside: FloatArray
    future: Future


@dataclass(frozen=True)
class Case:
    """One forecast and what came; errors in days.

    `missed`: -1 where what came lies before the exact interval, 1 where it lies behind, else 0.
    """

    group: str
    within_dates: bool
    within_exact: bool
    error: float
    error_week: float
    error_rated: float
    missed: int


@dataclass(frozen=True)
class Score:
    """How forecasts of one kind did.

    `coverage` is the share of intervals of dates that held the date, `exact_coverage` the same
    with fractions of days; errors are medians of the distance in days, of the forecast and of the
    two naive ones: the mean of the last seven days, and the rated speed.
    """

    group: str
    count: int
    coverage: float
    exact_coverage: float
    error: float
    error_week: float
    error_rated: float | None

    @property
    def ratio(self) -> float:
        """Error of the forecast over that of the better naive one."""
        naive = [one for one in (self.error_week, self.error_rated) if one is not None]
        return self.error / min(naive) if min(naive) > 0 else 1.0


def scores(cases: Iterable[Case]) -> list[Score]:
    """Scores of each group, in the order in which groups first come."""
    groups: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        groups[case.group].append(case)
    return [_score(group, own) for group, own in groups.items()]


def _score(group: str, cases: Sequence[Case]) -> Score:
    rated = [case.error_rated for case in cases if not np.isnan(case.error_rated)]
    return Score(
        group,
        len(cases),
        float(np.mean([case.within_dates for case in cases])),
        float(np.mean([case.within_exact for case in cases])),
        float(np.median([case.error for case in cases])),
        float(np.median([case.error_week for case in cases])),
        float(np.median(rated)) if rated else None,
    )


class Replay:
    """A history that forecasts are made on again; its totals are added up once."""

    def __init__(self, history: History, levels: Sequence[Level], past_days: int) -> None:
        """Of the `history`; `levels` of bodymakers; each forecast looks back `past_days` days."""
        self._history, self._levels, self._past_days = history, levels, past_days
        self._totals = sums_before(np.nan_to_num(history.strokes))

    def cases(self, origin: Origin) -> list[Case]:
        """Forecast at one origin, and hold it against what came."""
        hours = self._history.hours
        today = int(hours.day[hours.place_of(origin.second)])
        stands = self._standing(origin.second)
        prospects = prospects_of(self._past(origin, today), origin.future, self._levels, stands)
        found = []
        for row, prospect in enumerate(prospects):
            mean = prospect.use.mean
            if prospect.outlook is None or mean <= 0:
                continue
            asked = [(f"{days} days", days * mean) for days in HORIZONS]
            asked += [
                (one.level.service, one.level.interval_strokes - one.strokes)
                for one in stands[row]
                if one.level.interval_strokes
            ]
            asked = [(group, strokes) for group, strokes in asked if strokes > 0]
            answers = prospect.when([strokes for _group, strokes in asked])
            for (group, strokes), expected in zip(asked, answers, strict=True):
                if expected is None:
                    continue
                # As far again as its upper half is wide, so that what comes late is seen too.
                last = 2 * expected.late - expected.middle + 1
                if today + last < len(hours.days):
                    found.append(self._case(origin.second, row, group, strokes, expected))
        return found

    def _past(self, origin: Origin, today: int) -> Past:
        """What was known at an origin."""
        first = max(today - self._past_days, 0)
        hours = self._history.hours.only(first, today - first + 1)
        low = int(self._history.hours.first[first])
        strokes = self._history.strokes[:, low : low + len(hours.day)].copy()
        strokes[:, hours.starts[1:] > origin.second] = np.nan
        served = tuple(
            replace(one, hour=one.hour - low)
            for one in self._history.served
            if one.done_at <= origin.second and one.hour >= low
        )
        return Past(
            hours, int(hours.first[-2]), strokes, origin.outside, self._history.rated, served
        )

    def _standing(self, second: float) -> list[list[Stands]]:
        """Where each machine stands on each level."""
        found: list[list[Stands]] = []
        for row, done in enumerate(self._history.done):
            now = self._total(row, second)
            own = []
            for level in self._levels:
                before = [moment for moment in done.get(level.service, ()) if moment <= second]
                since = self._total(row, max(before)) if before else 0.0
                own.append(Stands(level, now - since, bool(before)))
            found.append(own)
        return found

    def _total(self, row: int, second: float) -> float:
        return float(np.interp(second, self._history.hours.starts, self._totals[row]))

    def _case(
        self, second: float, row: int, group: str, strokes: float, expected: Expected
    ) -> Case:
        hours = self._history.hours
        now = self._total(row, second)
        place = int(np.searchsorted(self._totals[row], now + strokes))
        passed = math.inf
        if place < len(self._totals[row]):
            share = now + strokes - self._totals[row, place - 1]
            share /= self._totals[row, place] - self._totals[row, place - 1]
            passed = hours.starts[place - 1] + share * 3600
        truth = self._day(passed)
        today = self._day(second)
        week = (now - self._total(row, second - _NAIVE_DAYS * _DAY)) / _NAIVE_DAYS
        ahead = truth - today
        low, middle, high = (moment - (today % 1) for moment in expected.exact)
        return Case(
            group,
            int(today) + expected.early <= truth < int(today) + expected.late + 1,
            low <= ahead <= high,
            abs(middle - ahead),
            abs(strokes / week - ahead) if week > 0 else math.inf,
            abs(strokes / (self._history.rated[row] * 24) - ahead),
            -1 if ahead < low else 1 if ahead > high else 0,
        )

    def _day(self, second: float) -> float:
        """Day of an instant with its fraction, from the first day on."""
        if second >= self._history.hours.starts[-1]:
            return math.inf
        days = self._history.hours.starts[self._history.hours.first]
        place = int(np.searchsorted(days, second, side="right")) - 1
        return place + float((second - days[place]) / (days[place + 1] - days[place]))
