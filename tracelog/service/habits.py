"""How a plant does its services: how far into the interval, and how long machines stand for them.

Pure. Services to come take strokes away from the days to come, and those of the past say how many.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from tracelog.service.clock_hours import sums_before
from tracelog.service.outlook import Lost
from tracelog.service.rules import Level, contains
from tracelog.service.running import Past, Running
from tracelog.service.standstills import most_hours
from tracelog.stats.inputs import FloatArray

# What is taken where there is no past, as three services: done just before the interval is used
# up, together with a higher level that is nearly due. Own guesses.
_USUAL_SHARE, _USUAL_SPREAD = 0.97, 0.04
_USUAL_MERGE = 0.93
_USUAL_VARIES = 0.4
# No more services ahead of one machine are looked at.
_MOST_AHEAD = 200
# What is less likely is left out.
_NO_CHANCE = 0.002


@dataclass(frozen=True)
class Habits:
    """How the plant does its services.

    Attributes:
        share: of the interval that is used up when a service is done, in the middle.
        spread: deviation of that share.
        merge: share from which on a higher level is done along with a lower one.
        hours: running hours that a service of each level takes, by level.
        varies: deviation of these hours, as a share of them.
    """

    share: float
    spread: float
    merge: float
    hours: Mapping[str, float]
    varies: float


def habits_of(past: Past, running: Running, levels: Sequence[Level]) -> Habits:
    """Learn from the planned services of the past how the plant does them.

    Args:
        past: with the services.
        running: how the machines run.
        levels: those of bodymakers.
    """
    by_name = {level.service: level for level in levels}
    shares = _shares_used(past, by_name)
    usual = [_USUAL_SHARE + step * _USUAL_SPREAD for step in (-1.0, 0.0, 1.0)]
    values = np.array([*shares, *usual])
    share = float(np.median(values))
    spread = max(1.4826 * float(np.median(np.abs(values - share))), 0.01)
    merged = float(np.quantile([*shares, *[_USUAL_MERGE] * len(usual)], 0.1))
    stood = _hours_stood(past, running)
    hours = _hours(levels, stood)
    return Habits(share, spread, max(merged, 0.8), hours, _varies(hours, stood))


def _varies(hours: Mapping[str, float], stood: Mapping[str, Sequence[float]]) -> float:
    """How much the hours of single services stray from those of their level, as a share."""
    apart, mean = _USUAL_VARIES**2, 1.0
    for name, own in stood.items():
        if hours.get(name, 0.0) > 0:
            apart += sum((one / hours[name] - 1) ** 2 for one in own)
            mean += len(own)
    return math.sqrt(apart / mean)


def _hours(levels: Sequence[Level], stood: Mapping[str, Sequence[float]]) -> dict[str, float]:
    """Running hours that a service of each level takes.

    The mean of those of the past, to which what the level is said to take counts as one more, in
    proportion to how services of all levels compared with that. Without any service on record
    none: whatever stops there were are in the running time.
    """
    said = {level.service: level.hours or 0.0 for level in levels}
    known = sum(len(own) for own in stood.values())
    if not known:
        return dict.fromkeys(said, 0.0)
    expected = sum(said.get(name, 0.0) * len(own) for name, own in stood.items())
    one = expected / known
    taken = sum(sum(own) for own in stood.values())
    ratio = (taken + one) / (expected + one) if expected > 0 else 0.0
    return {
        name: (sum(stood.get(name, ())) + hours * ratio) / (len(stood.get(name, ())) + 1)
        for name, hours in said.items()
    }


def _shares_used(past: Past, levels: Mapping[str, Level]) -> list[float]:
    """Share of the interval used up at each planned service whose predecessor is in the past."""
    made = sums_before(np.nan_to_num(past.strokes))
    last: dict[tuple[int, str], int] = {}
    found = []
    for one in sorted(past.served, key=lambda one: one.hour):
        level = levels.get(one.service)
        before = last.get((one.machine, one.service))
        if level is not None and level.interval_strokes and before is not None and one.planned:
            used = made[one.machine, one.hour] - made[one.machine, before]
            found.append(float(used) / level.interval_strokes)
        for name, lower in levels.items():
            if level is not None and contains(level, lower):
                last[one.machine, name] = one.hour
    return [share for share in found if 0.5 < share < 1.5]


def _hours_stood(past: Past, running: Running) -> dict[str, list[float]]:
    """Running hours that each planned service took, by level."""
    found: dict[str, list[float]] = {}
    runs, good = running.stood.runs, running.good
    short = past.outside - np.nan_to_num(past.strokes, nan=np.inf) / good[:, None]
    short = np.clip(short, 0.0, 1.0) * ~np.isnan(past.strokes)
    short *= running.week[:, past.hours.cell]
    idle = runs.only(running.stood.long).mask(past.strokes.shape)
    for one, place in zip(past.served, running.stood.services, strict=True):
        taken = 0.0
        if place is not None:
            # The hours at both ends are those in which the machine stood in part.
            low, high = max(int(runs.start[place]) - 1, 0), int(runs.end[place]) + 1
            taken = float(short[one.machine, low:high].sum())
        if one.planned and not idle[one.machine, max(one.hour - 1, 0)]:
            found.setdefault(one.service, []).append(min(taken, most_hours(one)))
    return found


@dataclass(frozen=True)
class Ahead:
    """Services ahead of one machine, in order of strokes from now.

    Attributes:
        strokes: after how many strokes each is expected.
        spread: deviation of that.
        hours: running hours that each takes.
        varies: deviation of these hours, as a share of them.
        steady: running hours that other services take for each stroke: those by days alone.
    """

    strokes: FloatArray
    spread: FloatArray
    hours: FloatArray
    varies: float
    steady: float

    def lost(self, strokes: FloatArray, an_hour: float) -> Lost:
        """What these services take away while so many strokes are made.

        A service is done within them or it is not, and each only after those before it, so the
        cases are that the first none, one, two … of them are done.

        Args:
            strokes: any number of them.
            an_hour: strokes of a running hour.
        """
        apart = (strokes[:, None] - self.strokes) / np.maximum(self.spread, 1.0)
        done = np.minimum.accumulate(ndtr(apart), axis=1)
        ends = np.ones((len(strokes), 1)), np.zeros((len(strokes), 1))
        chance = np.concatenate((ends[0], done, ends[1]), axis=1)
        chance = chance[:, :-1] - chance[:, 1:]
        chance[chance < _NO_CHANCE] = 0.0
        chance /= chance.sum(axis=1, keepdims=True)
        asked, number = np.nonzero(chance)
        hours = np.concatenate(([0.0], np.cumsum(self.hours)))[number]
        squared = np.concatenate(([0.0], np.cumsum(self.hours**2)))[number]
        hours = hours + self.steady * np.maximum(strokes, 0.0)[asked]
        variance = (self.varies * an_hour) ** 2 * squared
        return Lost(asked, chance[asked, number], hours * an_hour, variance)


@dataclass(frozen=True)
class Stands:
    """Strokes of a machine since a level; not `on_record`: since its first reading, at least."""

    level: Level
    strokes: float
    on_record: bool


def services_ahead(habits: Habits, stands: Sequence[Stands], a_day: float, most: float) -> Ahead:
    """The services ahead of a machine, each where the plant usually does it.

    A level that is due after days as well comes when the first of both is used up. Where the
    last one is not on record, the next may come anywhere in what can be left of the interval.

    Args:
        habits: of the plant.
        stands: where the machine stands on each level of its station.
        a_day: strokes of a usual day.
        most: no further than so many strokes.
    """
    levels, intervals, since, spreads = [], [], [], []
    steady = 0.0
    for one in sorted(stands, key=lambda one: one.level.interval_strokes or 0):
        limits = [float(one.level.interval_strokes or math.inf)]
        if one.level.interval_days and a_day > 0:
            limits.append(one.level.interval_days * a_day)
        whole = min(limits)
        left = habits.share * whole - one.strokes
        if not one.level.interval_strokes or (not one.on_record and left <= 0):
            steady += habits.hours.get(one.level.service, 0.0) / whole
            continue
        levels.append(one.level)
        intervals.append(whole)
        since.append(one.strokes if one.on_record else one.strokes + left / 2)
        spreads.append(0.0 if one.on_record else left / math.sqrt(12))
    found = _in_order(habits, levels, (intervals, since, spreads), most)
    table = np.array(found, dtype=np.float64).reshape(-1, 3)
    return Ahead(table[:, 0], table[:, 1], table[:, 2], habits.varies, steady)


def _in_order(
    habits: Habits,
    levels: Sequence[Level],
    figures: tuple[list[float], list[float], list[float]],
    most: float,
) -> list[tuple[float, float, float]]:
    """Strokes, their deviation and hours of each service, the next one first."""
    intervals, since, spreads = figures
    found: list[tuple[float, float, float]] = []
    position = 0.0
    while levels and len(found) < _MOST_AHEAD:
        left = [habits.share * whole - used for whole, used in zip(intervals, since, strict=True)]
        place = left.index(min(left))
        step = max(left[place], 0.0)
        position += step
        if position > most:
            break
        since = [used + step for used in since]
        for higher in range(place + 1, len(levels)):
            if since[higher] >= habits.merge * intervals[higher]:
                place = higher
        spread = math.hypot(habits.spread * intervals[place], spreads[place])
        found.append((position, spread, habits.hours.get(levels[place].service, 0.0)))
        since = [0.0 if number <= place else used for number, used in enumerate(since)]
        spreads = [0.0 if number < place else own for number, own in enumerate(spreads)]
    return found
