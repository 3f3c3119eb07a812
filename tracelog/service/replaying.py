"""Reads for the back-test of forecasts: the whole history once, and the calendar of each origin."""

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.instants import day_of
from tracelog.plant.queries import BODYMAKER, MachineView
from tracelog.service.backtest import Case, History, Origin, Replay
from tracelog.service.forecasts import AHEAD_DAYS
from tracelog.service.past import PAST_DAYS, Known, calendar_at, known_past
from tracelog.service.records import ServiceDone, levels, services_done
from tracelog.service.rules import Level, contains
from tracelog.strokes.queries import machine_span

# Origins lie so many days apart, the first after a burn-in, each at another hour of the day.
STEP_DAYS = 7
BURN_IN_DAYS = 35
_HOURS_BETWEEN = 7


def backtest(session: Session, as_of: datetime) -> list[Case]:
    """Forecast anew at many instants of the history up to `as_of`, and hold it against what came.

    Args:
        session: an open session.
        as_of: UTC; the history ends there.

    Returns:
        All cases, empty where the history is too short. The history is read once; one statement
        more for each origin, which reads the calendar as it was known then. Strokes are those
        counted as of `as_of`: what was settled of counters later than an origin is in it.
    """
    spans = machine_span(session, None, as_of)
    if not spans:
        return []
    first_at = min(span.first_at for span in spans.values())
    days = (as_of - first_at).days
    if days <= BURN_IN_DAYS + STEP_DAYS:
        return []
    all_levels = levels(session)
    own_levels = [level for level in all_levels if level.station == BODYMAKER]
    done = services_done(session, as_of)
    known = known_past(session, as_of, done, all_levels, past_days=days)
    history = _history(known, done, own_levels)
    again = Replay(history, own_levels, PAST_DAYS)
    found: list[Case] = []
    for number, day in enumerate(range(BURN_IN_DAYS, days, STEP_DAYS)):
        hour = number * _HOURS_BETWEEN % 24
        at = datetime.fromtimestamp(
            float(known.past.hours.starts[known.past.hours.first[day] + hour]), as_of.tzinfo
        )
        found += again.cases(_origin(session, known, day, at))
    return found


def _history(known: Known, done: Collection[ServiceDone], own_levels: Sequence[Level]) -> History:
    return History(
        known.past.hours,
        known.past.strokes,
        known.past.rated,
        known.past.served,
        tuple(_done_at(machine, done, own_levels) for machine in known.machines),
    )


def _done_at(
    machine: MachineView, done: Collection[ServiceDone], own_levels: Sequence[Level]
) -> dict[str, list[float]]:
    """Instants at which each level was done, itself or within a higher one, in order."""
    found: dict[str, list[float]] = {}
    for level in own_levels:
        resetting = {upper.service for upper in own_levels if contains(upper, level)}
        found[level.service] = sorted(
            one.done_at.timestamp()
            for one in done
            if one.machine.id == machine.id and one.service in resetting
        )
    return found


def _origin(session: Session, known: Known, day: int, at: datetime) -> Origin:
    first = max(day - PAST_DAYS, 0)
    hours = known.past.hours.only(first, day - first + 1)
    ahead = known.hours(day_of(at, known.plant.zone), AHEAD_DAYS)
    outside, future = calendar_at(session, known, at, hours, ahead)
    return Origin(at.timestamp(), outside, future)
