"""Who is told of what, and when: decisions that need no database and no clock.

Times of the day are those of the plant's clock. Where the clock is put forward over such a time,
it is the instant at which the clock jumps; where the clock is put back over it, quiet hours begin
with its first and end with its second coming, and a daily message is sent at the first.
"""

import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from tracelog.defects.facts import Severity
from tracelog.instants import clock_change_between, day_of, next_hour
from tracelog.locales import ENGLISH
from tracelog.notices.facts import Kind, Pace, Way
from tracelog.plant.rules import ShiftRota, shift_at

_DAY = timedelta(days=1)
# What happened longer ago than this when it is found is no news that anybody is called for.
FRESH = timedelta(days=1)
# What happened longer ago than this is not told at all.
HORIZON = timedelta(days=35)
# A signal that later data move by less than this is the same one.
SAME_SIGNAL = timedelta(days=1)
# Attempts at one message, the last some two and a half days after the first.
MOST_ATTEMPTS = 12
_FIRST_WAIT = timedelta(minutes=1)
_LONGEST_WAIT = timedelta(days=1)
# Each wait is made longer or shorter by up to so much of itself, so that many do not come at once.
_JITTER = 0.2
# A webhook that failed so often in a row is switched off.
MOST_FAILURES = 20
# How long a claim holds. Each attempt is broken off well before.
LEASE = timedelta(minutes=10)
LONGEST_ATTEMPT = timedelta(minutes=2)
# What is wrong with the drink inside comes before the rest; a wrong label is as serious as a leak
# for whoever buys it, and cannot be told from the can alone, so it counts with the leaks.
_RANK = {
    Severity.LABEL: 5,
    Severity.LEAK: 5,
    Severity.CONTACT: 4,
    Severity.STRENGTH: 3,
    Severity.RUN: 2,
    Severity.LOOK: 1,
}


# Of these a leak may break through quiet hours; that one is over may not.
_CALLING = frozenset({Kind.SIGNAL, Kind.HOLD, Kind.COMPLAINT})


@dataclass(frozen=True)
class Wanted:
    """A subscription as decisions need it; times are the plant clock's.

    `webhook_id` and `address` say where to, by its way; `line_id` and `machine_id` None: anywhere;
    `language` is that in which the person reads, of a webhook English.
    """

    id: uuid.UUID
    account_id: uuid.UUID
    kinds: tuple[Kind, ...]
    line_id: uuid.UUID | None
    machine_id: uuid.UUID | None
    least_severity: Severity | None
    days_ahead: int
    way: Way
    address: str | None
    webhook_id: uuid.UUID | None
    pace: Pace
    daily_at: time | None
    quiet_from: time | None
    quiet_to: time | None
    leaks_at_once: bool
    created_at: datetime
    language: str = ENGLISH


@dataclass(frozen=True)
class Occasion:
    """Something that happened, or that is so now; `key` is the same whenever it is found.

    `is_state`: it is so now, and is told although it began before somebody subscribed; what
    happened is told only from then on. `days_left`: of a service due. `alike` begins the keys of
    which one near in time is the same occasion, moved by data that came late.
    """

    kind: Kind
    key: str
    happened_at: datetime
    title: str
    text: str
    link: str
    place: str
    line_id: uuid.UUID | None = None
    machine_ids: frozenset[uuid.UUID] = frozenset()
    severity: Severity | None = None
    is_state: bool = False
    days_left: int | None = None
    alike: str | None = None


def matches(wanted: Wanted, found: Occasion, now: datetime) -> bool:
    """Whether a subscription asks for an occasion.

    Args:
        wanted: the subscription.
        found: what happened.
        now: UTC.
    """
    if found.kind not in wanted.kinds or now - found.happened_at > HORIZON:
        return False
    if not found.is_state and found.happened_at < wanted.created_at:
        return False
    if wanted.machine_id is not None and wanted.machine_id not in found.machine_ids:
        return False
    if wanted.line_id is not None and wanted.line_id != found.line_id:
        return False
    if found.days_left is not None and found.days_left > wanted.days_ahead:
        return False
    if wanted.least_severity is not None and found.kind in (Kind.SIGNAL, Kind.SIGNAL_OVER):
        return found.severity is not None and is_as_bad(found.severity, wanted.least_severity)
    return True


def is_as_bad(severity: Severity, least: Severity) -> bool:
    """Whether a severity is at least another one."""
    return _RANK[severity] >= _RANK[least]


def was_told(found: Occasion, told: Collection[tuple[str, datetime]]) -> bool:
    """Whether an occasion was told already.

    Args:
        found: what happened.
        told: key and instant of what one subscription was told.
    """
    if any(key == found.key for key, _at in told):
        return True
    alike = found.alike
    return alike is not None and any(
        key.startswith(alike) and abs(at - found.happened_at) < SAME_SIGNAL for key, at in told
    )


def send_at(wanted: Wanted, found: Occasion, now: datetime, rota: ShiftRota) -> datetime | None:
    """When a message about an occasion goes out; None: it stands on the page only.

    Args:
        wanted: the subscription that asks for it.
        found: what happened.
        now: UTC, when it was found.
        rota: the plant's shifts, and its zone.
    """
    if wanted.way is Way.PAGE:
        return None
    is_late = not found.is_state and now - found.happened_at > FRESH
    is_leak = found.severity is Severity.LEAK and found.kind in _CALLING
    if wanted.pace is Pace.AT_ONCE and is_late:
        return None
    if is_leak and wanted.leaks_at_once and not is_late:
        return now
    at = now if wanted.pace is Pace.AT_ONCE else next_digest(wanted, now, rota)
    return quiet_end(wanted.quiet_from, wanted.quiet_to, at, rota.zone) or at


def next_digest(wanted: Wanted, now: datetime, rota: ShiftRota) -> datetime:
    """When the next gathered message is due, always after `now`; UTC.

    Without shifts, what should come at their start comes at the next full hour.
    """
    if wanted.pace is Pace.DAILY and wanted.daily_at is not None:
        day = day_of(now, rota.zone)
        found = (at_clock(day + _DAY * more, wanted.daily_at, rota.zone) for more in (0, 1, 2))
        return next(one for one in found if one > now)
    if wanted.pace is Pace.SHIFT:
        shift = shift_at(rota, now)
        if shift is not None and shift.ended_at > now:
            return shift.ended_at
    return next_hour(now, rota.zone)


def quiet_end(
    starts: time | None, ends: time | None, moment: datetime, zone: ZoneInfo
) -> datetime | None:
    """When the quiet hours that hold an instant end; None: it lies in none.

    Args:
        starts, ends: of the plant's clock; an end before the start is on the next day.
        moment: UTC.
        zone: the plant's.
    """
    if starts is None or ends is None:
        return None
    today = day_of(moment, zone)
    for day in (today - _DAY, today):
        last_day = day if starts < ends else day + _DAY
        begins, over = at_clock(day, starts, zone), at_clock(last_day, ends, zone, second=True)
        if begins <= moment < over:
            return over
    return None


def at_clock(day: date, at: time, zone: ZoneInfo, second: bool = False) -> datetime:
    """The instant (UTC) at which the plant's clock shows a time on a day.

    Args:
        day: of the plant's clock.
        at: the time.
        zone: the plant's.
        second: where it comes twice, the second one.
    """
    local = datetime.combine(day, at)
    found = local.replace(tzinfo=zone, fold=int(second)).astimezone(UTC)
    if found.astimezone(zone).replace(tzinfo=None) == local:
        return found
    # Left out by the clock: the instant at which it jumps lies close by.
    return clock_change_between(found - timedelta(hours=3), found + timedelta(hours=3), zone) or (
        found
    )


def wait_after(attempts: int, draw: float) -> timedelta | None:
    """How long to wait after so many failed attempts; None: no further one is made.

    Args:
        attempts: made so far, at least 1.
        draw: a random number from 0 to 1.

    Example:
        >>> wait_after(3, 0.5)
        datetime.timedelta(seconds=240)
    """
    if attempts >= MOST_ATTEMPTS:
        return None
    wait = min(_FIRST_WAIT * 2 ** max(attempts - 1, 0), _LONGEST_WAIT)
    return timedelta(seconds=wait.total_seconds() * (1 + _JITTER * (2 * draw - 1)))
