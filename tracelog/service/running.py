"""How machines run: their week, their speed, their running time, and how these move.

Pure. A machine's strokes in a stretch are taken as

    rated speed x speed x running time x sum of the week's usual shares over the hours

Speed is how fast the machine goes when nothing holds it up: the best hour of a day. Running time
is what stops leave of it. Both are of the plant's own past and move from day to day (see
`stats.drift`); stops make running time noisy, while speed is known well and changes slowly, so
that the two together tell more than their product. Planned stops, standstills of services and
stops of a day and longer are taken out beforehand.
"""

from dataclasses import dataclass

import numpy as np

from tracelog.service.clock_hours import ClockHours
from tracelog.service.standstills import (
    IDLE_HOURS,
    LONG_HOURS,
    ServedAt,
    Standstills,
    of_services,
    standstills,
)
from tracelog.stats.drift import (
    Drift,
    Levels,
    filter_levels,
    fit_drift,
    spread_of_levels,
)
from tracelog.stats.inputs import BoolArray, FloatArray, IntArray

# What is taken where a plant has hardly any days yet; own guesses, drawn wide.
USUAL_SPEED = Drift(0.95, 0.03**2, 0.02**2, 2.0)
USUAL_RUNNING_TIME = Drift(0.8, 0.02**2, 0.12**2, 2.0)
USUAL_RATE = Drift(0.95, 0.03**2, 0.12**2, 2.0)
# The best hours tell the speed if they scatter by less than half as much as whole days, squared.
_TELLING = 0.5
# Hours of a good run in a day, of which the best shows the speed.
_GOOD_HOURS = 6
_GOOD_SHARE = 0.3
# A day tells of running time if the machine could run a quarter of it.
_LEAST_HOURS = 6.0


@dataclass(frozen=True)
class Past:
    """The past of all machines, hour by hour, as it was known at an instant.

    Attributes:
        hours: whole days before the day of the instant, and the hours of that day so far known.
        whole: hours of the whole days; those of the present day come after.
        strokes: machines by hours; not a number where they are not known.
        outside: share of each hour outside planned stops, machines by hours.
        rated: rated strokes an hour of each machine; not a number where it is not known.
        served: services done in these hours, each with its highest level.
    """

    hours: ClockHours
    whole: int
    strokes: FloatArray
    outside: FloatArray
    rated: FloatArray
    served: tuple[ServedAt, ...]


@dataclass(frozen=True)
class Running:
    """How each machine runs, as estimated from the past; arrays have one row per machine.

    Attributes:
        unit: strokes of an hour to which speed is relative.
        good: strokes of a good hour.
        week: share of the mean running time in each shift of the week.
        speed, running_time: where they stand; `speed_drift`, `running_drift` how they move.
        stood: the runs of hours that were taken out, by kind.
        days: days of use that each machine's figures rest on.
    """

    unit: FloatArray
    good: FloatArray
    week: FloatArray
    speed: Levels
    running_time: Levels
    speed_drift: Drift
    running_drift: Drift
    days: FloatArray
    stood: "Stood"


@dataclass(frozen=True)
class Stood:
    """What machines stood for beyond the stops of every day.

    Attributes:
        runs: all standstills.
        services: for each service done the place of its standstill in `runs`, None: it has none.
        long: which runs are long stops, neither planned nor of a service.
        usual: usual running hours that each run took.
        day_hours: usual running hours of a day of each machine.
    """

    runs: Standstills
    services: tuple[int | None, ...]
    long: BoolArray
    usual: FloatArray
    day_hours: FloatArray


def running_of(past: Past) -> Running:
    """Estimate how every machine runs."""
    unit = _unit(past)
    good = _good_hour(past)
    runs = standstills(past.strokes, good, past.outside)
    exposed = past.outside * ~np.isnan(past.strokes)
    stood = _stood(past, exposed, runs, good)
    out = stood.long.copy()
    out[[place for place in stood.services if place is not None]] = True
    counted = ~np.isnan(past.strokes) & ~runs.only(out).mask(past.strokes.shape)
    return _estimate(past, unit, good, counted[:, : past.whole], stood)


def _unit(past: Past) -> FloatArray:
    """Strokes of an hour to which speed is relative: the rated ones, if all are known."""
    if not np.isnan(past.rated).any():
        return past.rated
    return _good_hour(past)


def _good_hour(past: Past) -> FloatArray:
    """Strokes of a good hour: as many as one running hour in ten has at least."""
    made = np.where(past.strokes > 0, past.strokes, np.nan)
    ordered = np.sort(made, axis=1)  # what is not a number comes last
    counts = (~np.isnan(ordered)).sum(axis=1)
    place = np.maximum((0.9 * (counts - 1)).astype(np.intp), 0)
    found = ordered[np.arange(len(ordered)), place]
    return np.where(counts > 0, np.nan_to_num(found), 1.0)


def _stood(past: Past, exposed: FloatArray, runs: Standstills, good: FloatArray) -> Stood:
    """Tell long stops from those of every day by the machine's own week."""
    last = past.strokes.shape[1] - 1 - np.argmax(~np.isnan(past.strokes[:, ::-1]), axis=1)
    trailing = runs.end == last[runs.machine] + 1
    idle = (runs.hours >= IDLE_HOURS) | (trailing & (runs.hours >= 2 * LONG_HOURS))
    clear = (exposed * ~runs.only(idle).mask(exposed.shape))[:, : past.whole]
    usual = _median_week(past, clear, good)
    hours = usual[:, past.hours.cell] * past.outside
    taken = runs.measured(hours)
    services = of_services(runs, taken, past.served)
    of_service = np.zeros(len(taken), dtype=np.bool_)
    of_service[[place for place in services if place is not None]] = True
    long = ((taken >= LONG_HOURS) | idle) & ~of_service
    day_hours = 24 * usual.mean(axis=1)
    return Stood(runs, tuple(services), long, taken, np.maximum(day_hours, 1e-9))


def _shifts(past: Past) -> tuple[IntArray, IntArray]:
    """First hour of each shift of the past, and which shift of the week it is."""
    cell = past.hours.cell[: past.whole]
    begins = np.flatnonzero(np.concatenate([[True], cell[1:] != cell[:-1]]))
    return begins, cell[begins]


def _median_week(past: Past, exposed: FloatArray, good: FloatArray) -> FloatArray:
    """Median running time of each shift of the week, 1 for a machine that never stops.

    Machines by shifts of the week; the median lets single long stops pass unseen.
    """
    found = np.ones((len(good), past.hours.cells))
    begins, cells = _shifts(past)
    if not len(begins):
        return found
    made = np.nan_to_num(past.strokes[:, : past.whole])
    could = np.add.reduceat(exposed * good[:, None], begins, axis=1)
    shares = np.add.reduceat(made, begins, axis=1) / np.maximum(could, 1e-9)
    shares[could < 1.0 * good[:, None]] = np.nan
    for cell in range(past.hours.cells):
        own = shares[:, cells == cell]
        some = ~np.isnan(own).all(axis=1)
        found[some, cell] = np.nanmedian(own[some], axis=1)
    return found


def _estimate(
    past: Past, unit: FloatArray, good: FloatArray, counted: BoolArray, stood: Stood
) -> Running:
    """Speed and running time, from the hours that are `counted`."""
    day, cell = past.hours.day[: past.whole], past.hours.cell[: past.whole]
    firsts = past.hours.first[: int(day[-1]) + 1]
    made = np.nan_to_num(past.strokes[:, : past.whole]) * counted
    exposed = past.outside[:, : past.whole] * counted
    week = _week(past, made, exposed * unit[:, None])
    hours = np.add.reduceat(exposed * week[:, cell], firsts, axis=1)
    told = hours >= _LEAST_HOURS
    rate = np.where(told, np.add.reduceat(made, firsts, axis=1) / np.maximum(hours, 1e-9), 0.0)
    rate /= unit[:, None]
    speed, seen = _speeds(made, exposed, firsts, good)
    speed /= unit[:, None]
    carried = _carried(speed, seen)
    told &= carried > 0
    share = np.where(told, rate / np.maximum(carried, 1e-9), 0.0)
    drifts = fit_drift(speed, seen, USUAL_SPEED), fit_drift(share, told, USUAL_RUNNING_TIME)
    if drifts[0].noise > _TELLING * fit_drift(rate, told, USUAL_RUNNING_TIME).noise:
        # Counters are read too seldom to show the speed: all that moves is taken as one.
        speed, seen, share = rate, told, np.ones_like(rate)
        drifts = fit_drift(rate, told, USUAL_RATE), Drift(0.0, 0.0, 0.0, float(told.sum()))
    levels = filter_levels(
        np.stack([speed, share]),
        np.stack([seen, told]),
        np.stack([hours / 24, hours / 24]),
        drifts,
        (spread_of_levels(speed, seen, drifts[0]), spread_of_levels(share, told, drifts[1])),
    )
    days = told.sum(axis=1).astype(np.float64)
    return Running(unit, good, week, levels[0], levels[1], drifts[0], drifts[1], days, stood)


def _speeds(
    made: FloatArray, exposed: FloatArray, firsts: IntArray, good: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Strokes of the best hour of each day, and the days with enough good hours to tell."""
    running = (exposed > 0.999) & (made > _GOOD_SHARE * good[:, None])
    best = np.maximum.reduceat(np.where(running, made, 0.0), firsts, axis=1)
    counts = np.add.reduceat(running.astype(np.float64), firsts, axis=1)
    usual = np.array([np.median(row[row > 0]) if (row > 0).any() else 1.0 for row in counts])
    needed = np.clip(np.ceil(usual / 2), 1, _GOOD_HOURS)
    return best, counts >= needed[:, None]


def _carried(values: FloatArray, seen: BoolArray) -> FloatArray:
    """Each value where it is seen, else the last one before, else the first one after."""
    places = np.where(seen, np.arange(values.shape[1]), -1)
    places = np.maximum.accumulate(places, axis=1)
    first = np.argmax(seen, axis=1)[:, None]
    found = np.take_along_axis(values, np.where(places < 0, first, places), axis=1)
    some = np.asarray(seen.any(axis=1))
    return np.where(some[:, None], found, 0.0)


def _week(past: Past, made: FloatArray, capacity: FloatArray) -> FloatArray:
    """Share of the mean running time in each shift of the week, machines by shifts.

    Each is drawn towards 1 as far as the scatter of single shifts explains the differences
    (moments; Cochran 1977, Sampling Techniques, 10.3).
    """
    begins, cells = _shifts(past)
    each, could = (np.add.reduceat(one, begins, axis=1) for one in (made, capacity))
    count = past.hours.cells
    belongs = np.eye(count)[cells]
    total, able = each @ belongs, could @ belongs
    mean = total.sum(axis=1) / np.maximum(able.sum(axis=1), 1e-9)
    mean = np.where(mean > 0, mean, 1.0)[:, None]
    shares = np.where(able > 0, total / np.maximum(able, 1e-9) / mean, 1.0)
    # Weights of single shifts, 1 for one in which the machine could run throughout.
    weight = could / np.maximum(np.median(could, axis=1), 1e-9)[:, None]
    weight = np.minimum(weight, 1.0)
    apart = weight * (each / np.maximum(could * mean, 1e-9) - shares[:, cells]) ** 2
    seen = weight @ belongs
    freedom = np.maximum(seen - 1, 0.0).sum()
    scatter = float(apart.sum()) / freedom if freedom > 0 else 0.1
    error = scatter / np.maximum(seen, 1e-9)
    known = seen > 0
    between = max(float(((shares - 1) ** 2 - error)[known].mean()), 0.0) if known.any() else 0.0
    return np.where(known, 1 + (shares - 1) * between / (between + error + 1e-12), 1.0)
