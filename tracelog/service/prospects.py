"""What lies ahead of each machine: its outlook, the services in it, and when strokes are made.

Pure: the past in, prospects out; for pages, commands and the back-test alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from tracelog.service.clock_hours import ClockHours
from tracelog.service.due_dates import OUTSIDE, passing
from tracelog.service.habits import Ahead, Stands, habits_of, services_ahead
from tracelog.service.outlook import LongStops, Outlook, outlooks_of
from tracelog.service.rules import FURTHEST_DAYS, DailyUse, Expected, Level, daily_use
from tracelog.service.running import Past, Running, running_of
from tracelog.service.standstills import Standstills
from tracelog.stats.inputs import FloatArray

RECENT_DAYS = 28
# Of a central 80 % interval of the normal distribution, in deviations.
_HALF_WIDTH = float(ndtri(1 - OUTSIDE))
# Long stops of a plant that had none lately: one for each machine in a year, of two days; own
# guess, which counts as much as the days below.
_USUAL_LONG, _USUAL_LONG_DAYS, _USUAL_COUNT = 1 / 365, 2.0, 0.25
_OWN_DAYS = 90.0
_LONGEST_DAYS = 30.0


@dataclass(frozen=True)
class Prospect:
    """What lies ahead of one machine.

    Attributes:
        outlook: what it will make; None: it did not run in all the past that is looked at.
        ahead: services that will stop it meanwhile.
        use: its recent daily use.
        idle_since: since when it has stood, if for a day or longer; seconds since 1970.
        made: strokes of each past day, the present one last.
    """

    outlook: Outlook | None
    ahead: Ahead
    use: DailyUse
    idle_since: float | None
    made: FloatArray

    def when(self, left: Sequence[float]) -> list[Expected | None]:
        """When so many more strokes will have been made; 0 and less: when they were.

        Returns:
            One for each; None: never, as far as anybody can tell.
        """
        ahead = [strokes for strokes in left if strokes > 0]
        coming = iter(self._coming(np.array(ahead, dtype=np.float64)) if ahead else ())
        return [next(coming) if strokes > 0 else self._passed(-strokes) for strokes in left]

    def _passed(self, over: float) -> Expected:
        back = np.cumsum(self.made[::-1])
        days = int(np.searchsorted(back, over))
        if days >= len(back):
            beyond = over - (float(back[-1]) if len(back) else 0.0)
            days = len(back) + int(min(beyond / max(self.use.mean, 1.0), FURTHEST_DAYS))
        return Expected(-days, -days, -days, (-float(days),) * 3)

    def _coming(self, strokes: FloatArray) -> list[Expected | None]:
        outlook = self.outlook
        if outlook is None or outlook.strokes_a_day <= 0:
            return [None] * len(strokes)
        lost = self.ahead.lost(strokes, outlook.an_hour)
        chances = outlook.chances(strokes, lost)
        found: list[Expected | None] = []
        for row, needed in zip(chances, strokes + lost.mean(len(strokes)), strict=True):
            found.append(passing(row) or _beyond(outlook, float(needed)))
        return found


def _beyond(outlook: Outlook, needed: float) -> Expected | None:
    """A date further off than the outlook reaches, at the same rate and relative spread."""
    days = len(outlook.days)
    made = float(np.sum(outlook.expected))
    if made <= 0:
        return None
    middle = needed / made * days
    if outlook.stops.idle_days > 0:
        idle = outlook.stops.idle_days * days / max(float(outlook.running_days[-1]), 1e-9)
        exact = (middle + idle / 9, middle + idle, middle + idle * 9)
    else:
        spread = float(outlook.deviation[-1] / max(outlook.mean[-1], 1.0))
        half = _HALF_WIDTH * middle * spread
        exact = (middle - half, middle, middle + half)
    early, centre, late = (min(max(one, 0.0), FURTHEST_DAYS) for one in exact)
    return Expected(int(early), int(centre), int(late), (early, centre, late))


@dataclass(frozen=True)
class Future:
    """The days ahead, for all machines.

    Attributes:
        hours: whole days, the first that of the instant.
        now: the instant, seconds since 1970.
        outside: share of each hour outside planned stops, one array for each kind of calendar.
        calendar: for each machine, which of these is its own.
        read_until: for each machine its last reading, seconds since 1970.
    """

    hours: ClockHours
    now: float
    outside: tuple[FloatArray, ...]
    calendar: tuple[int, ...]
    read_until: FloatArray


def prospects_of(
    past: Past,
    future: Future,
    levels: Sequence[Level],
    stands: Sequence[Sequence[Stands]],
) -> list[Prospect]:
    """The prospect of every machine.

    Args:
        past: all machines' past.
        future: the days ahead.
        levels: of bodymakers.
        stands: where each machine stands on each level.
    """
    if not len(past.strokes):
        return []
    running = running_of(past)
    habits = habits_of(past, running, levels)
    hours_up, week_hours = _hours_ahead(past, future, running)
    stops = long_stops(past, running)
    outlooks = outlooks_of(running, future.hours.days, hours_up, week_hours, stops)
    made = daily_strokes(past)
    found = []
    for row, (outlook, use) in enumerate(zip(outlooks, recent_use(past, made), strict=True)):
        ran = bool(made[row].sum() > 0)
        furthest = float(outlook.mean[-1]) * 1.5
        found.append(
            Prospect(
                outlook if ran else None,
                services_ahead(habits, stands[row], outlook.strokes_a_day, furthest),
                use,
                _idle_since(past, running, row) if ran else None,
                made[row],
            )
        )
    return found


def daily_strokes(past: Past) -> FloatArray:
    """Strokes of each day, the present one last; machines by days. What is not known counts 0."""
    return np.add.reduceat(np.nan_to_num(past.strokes), past.hours.first[:-1], axis=1)


def recent_use(past: Past, made: FloatArray) -> list[DailyUse]:
    """Use of each machine over those of the last 28 whole days that are known throughout.

    Args:
        past: all machines' past.
        made: its `daily_strokes`.
    """
    whole = past.hours.first[:-1] < past.whole
    known = np.logical_and.reduceat(~np.isnan(past.strokes), past.hours.first[:-1], axis=1)
    recent = whole & (np.arange(len(whole)) >= int(whole.sum()) - RECENT_DAYS)
    return [
        daily_use([int(strokes) for strokes in made[row][recent & known[row]]])
        for row in range(len(made))
    ]


def _idle_since(past: Past, running: Running, row: int) -> float | None:
    place = _standing_now(past, running, row)
    return None if place is None else float(past.hours.starts[running.stood.runs.start[place]])


def _standing_now(past: Past, running: Running, row: int) -> int | None:
    """The long stop that a machine is in, as its place among the runs."""
    runs = running.stood.runs
    known = np.flatnonzero(~np.isnan(past.strokes[row]))
    if not len(known):
        return None
    own = np.flatnonzero((runs.machine == row) & (runs.end == known[-1] + 1) & running.stood.long)
    return int(own[0]) if len(own) else None


def long_stops(past: Past, running: Running) -> tuple[LongStops, ...]:
    """What stops of a day and longer are to be expected of each machine, beyond the calendar.

    How often is the machine's own past, to which the plant's counts as 90 days; how long is the
    whole plant's.
    """
    stood = running.stood
    days = stood.usual / stood.day_hours[stood.runs.machine]
    now = [_standing_now(past, running, row) for row in range(len(past.strokes))]
    over = stood.long.copy()
    over[[place for place in now if place is not None]] = False
    lengths = np.minimum(days[over], _LONGEST_DAYS)
    counts = np.bincount(
        stood.runs.machine[over],
        _weights(stood.runs.only(over), len(past.strokes)),
        len(past.strokes),
    )
    machine_days = float(running.days.sum())
    a_day = (counts.sum() + _USUAL_COUNT) / (machine_days + _USUAL_COUNT / _USUAL_LONG)
    mean = (lengths.sum() + _USUAL_LONG_DAYS) / (len(lengths) + 1)
    square = ((lengths**2).sum() + 2 * _USUAL_LONG_DAYS**2) / (len(lengths) + 1)
    own = (counts + _OWN_DAYS * a_day) / (running.days + _OWN_DAYS)
    return tuple(
        LongStops(
            float(own[row]),
            float(mean),
            float(square),
            0.0 if place is None else float(days[place]),
        )
        for row, place in enumerate(now)
    )


def _weights(runs: Standstills, machines: int) -> FloatArray:
    """What each long stop counts as: one that most machines have at the same time counts once."""
    together = np.abs(runs.start[:, None] - runs.start) <= 24
    together &= np.abs(runs.end[:, None] - runs.end) <= 24
    others = np.array([len(np.unique(runs.machine[row])) for row in together], dtype=np.float64)
    return np.where(others > max(machines / 2, 2), 1 / np.maximum(others, 1), 1.0)


def _hours_ahead(past: Past, future: Future, running: Running) -> tuple[FloatArray, FloatArray]:
    """Hours outside planned stops of each machine and day, plain and weighted by its week."""
    hours = future.hours
    after = np.clip((hours.starts[1:] - future.now) / np.diff(hours.starts), 0.0, 1.0)
    count = len(hours.days)
    sums = [
        np.bincount(
            hours.day * hours.cells + hours.cell,
            weights=outside * after * np.diff(hours.starts) / 3600,
            minlength=count * hours.cells,
        ).reshape(count, hours.cells)
        for outside in future.outside
    ]
    plain = np.stack([sums[own].sum(axis=1) for own in future.calendar])
    weighted = np.stack([sums[own] @ running.week[row] for row, own in enumerate(future.calendar)])
    # What was made since the last reading is not on the counter yet.
    for row, until in enumerate(future.read_until):
        if until < future.now:
            weighted[row, 0] += _since_reading(past, running, row, float(until), future.now)
    return plain, weighted


def _since_reading(past: Past, running: Running, row: int, until: float, now: float) -> float:
    starts = past.hours.starts
    low, high = past.hours.place_of(until), past.hours.place_of(now) + 1
    inside = np.minimum(starts[low + 1 : high + 1], now) - np.maximum(starts[low:high], until)
    shares = running.week[row, past.hours.cell[low:high]] * past.outside[row, low:high]
    return float((np.maximum(inside, 0.0) / 3600 * shares).sum())
