"""Which check was the last good one, which can the first bad one, and when it was repaired. Pure.

A last good check is the latest one that could have seen the defect, on the machine, passed, and is
timed by when its sample was taken. Everything here can only widen a window: what is not sure to
clear cans does not clear them.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypeVar

from tracelog.reference_rows import RoutineCheck

# A fault that was found this long before a good check, without a repair between the two, comes and
# goes: a few cans do not clear it. Common practice, no source.
COMES_AND_GOES = timedelta(hours=24)


class CheckKind(StrEnum):
    """What kind of check it was."""

    SAMPLE = "sample"
    MEASUREMENT = "measurement"


class EventKind(StrEnum):
    """What happened at a machine or its line."""

    SERVICE = "service"
    TOOL = "tool"
    COIL = "coil"
    CHANGE = "change"
    JAM = "jam"


@dataclass(frozen=True)
class Check:
    """Cans that were looked at.

    Attributes:
        kind: sample or measurement.
        name: the defect that was looked for, or the characteristic.
        taken_at: when the sample was taken, UTC.
        made_from, made_to: when its cans were made: the same instant where the sample was taken at
            the machine or the time of making was noted.
        cans: how many were looked at, at most.
        bad: how many of them were bad.
        place: where it was taken, None if nobody noted it.
    """

    kind: CheckKind
    name: str
    taken_at: datetime
    made_from: datetime
    made_to: datetime
    cans: int
    bad: int
    place: str | None = None

    @property
    def is_good(self) -> bool:
        """Whether nothing was found."""
        return self.bad == 0


@dataclass(frozen=True)
class Found:
    """A can with the defect, found in running production or in a sample."""

    made_from: datetime
    made_to: datetime
    cans: int
    inspected: int | None = None


@dataclass(frozen=True)
class Event:
    """Something after which a machine may have begun, or ceased, to make bad cans.

    `is_of_line`: it happened to the whole line.
    """

    kind: EventKind
    at: datetime
    name: str
    is_of_line: bool = False

    @property
    def is_repair(self) -> bool:
        """Whether it may have ended a fault of the machine."""
        is_work = self.kind in (EventKind.SERVICE, EventKind.TOOL, EventKind.CHANGE)
        return is_work and not self.is_of_line


@dataclass(frozen=True)
class Record:
    """What is on record of one machine around a defect, each in order of time."""

    checks: tuple[Check, ...] = ()
    found: tuple[Found, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def good(self) -> tuple[Check, ...]:
        """Checks in which nothing was found."""
        return tuple(one for one in self.checks if one.is_good)


@dataclass(frozen=True)
class Chosen:
    """What the record says of one machine.

    Attributes:
        good: the last good check, None if there is none.
        passed_over: later good checks that do not clear, because the fault comes and goes.
        first_bad: when the first bad can may have been made.
        before: the last event before the first bad can, None if none is on record.
        repair: the first repair after the last bad can.
        verified: the first good check after the repair.
    """

    good: Check | None
    passed_over: tuple[Check, ...]
    first_bad: datetime
    before: Event | None
    repair: Event | None
    verified: Check | None


def characteristics_that_see(defect: str, checks: Iterable[RoutineCheck]) -> set[str]:
    """Measured characteristics within whose limits a can does not have the defect.

    A single value says what an average says, and nothing of a difference round the can.
    """
    return {
        one.check.removesuffix("-average")
        for one in checks
        if defect in one.can_see and not one.check.endswith("-difference")
    }


def choose(record: Record, bad_at: datetime, until: datetime) -> Chosen:
    """Read a machine's record around a bad can.

    Args:
        record: of the machine.
        bad_at: when the bad can was made, as somebody says.
        until: the present.
    """
    good, passed_over = _last_good(record, bad_at)
    first_bad = _first_bad(record, bad_at, good)
    before = [one for one in record.events if one.at <= first_bad]
    last_bad = max([bad_at, *(one.made_to for one in record.found if one.made_to <= until)])
    repairs = [one for one in record.events if one.is_repair and one.at >= last_bad]
    repair = repairs[0] if repairs else None
    verified = [one for one in record.good if repair is not None and one.made_from >= repair.at]
    return Chosen(
        good,
        tuple(passed_over),
        first_bad,
        before[-1] if before else None,
        repair,
        verified[0] if verified else None,
    )


def _first_bad(record: Record, bad_at: datetime, good: Check | None) -> datetime:
    """The first bad can since the last good check; without one, of those that go together.

    What was found more than a day before the next one is an earlier fault, if nothing cleared it.
    """
    first = bad_at
    for one in sorted(record.found, key=lambda found: found.made_from, reverse=True):
        if one.made_from > first:
            continue
        if good is not None and one.made_to <= good.made_from:
            break
        if good is None and first - one.made_to > COMES_AND_GOES:
            break
        first = one.made_from
    return first


def _last_good(record: Record, bad_at: datetime) -> tuple[Check | None, list[Check]]:
    """The latest good check that clears, and those later ones that do not."""
    passed_over: list[Check] = []
    before = [one for one in record.good if one.made_to <= bad_at]
    for check in sorted(before, key=lambda one: one.made_from, reverse=True):
        if not _comes_and_goes(record, check):
            return check, passed_over
        passed_over.append(check)
    return None, passed_over


def _comes_and_goes(record: Record, check: Check) -> bool:
    """Whether the fault was found shortly before a good check, with no repair in between."""
    earlier = [
        one.made_to
        for one in record.found
        if check.made_from - COMES_AND_GOES <= one.made_to <= check.made_from
    ]
    if not earlier:
        return False
    last = max(earlier)
    return not any(one.is_repair and last <= one.at <= check.made_from for one in record.events)


def widest(parts: Sequence[Chosen]) -> Chosen:
    """Of several machines that may have made the cans: ambiguity can only widen a window.

    Without a last good check on one of them there is none, and a repair counts if all were
    repaired.

    Args:
        parts: at least one.
    """
    return Chosen(
        _extreme([one.good for one in parts], lambda one: one.made_from, min),
        tuple(check for one in parts for check in one.passed_over),
        min(one.first_bad for one in parts),
        _extreme([one.before for one in parts], lambda one: one.at, min),
        _extreme([one.repair for one in parts], lambda one: one.at, max),
        _extreme([one.verified for one in parts], lambda one: one.taken_at, max),
    )


One = TypeVar("One")


def _extreme(
    found: Sequence[One | None], when: Callable[[One], datetime], most: Callable[..., One]
) -> One | None:
    """The earliest or latest of all, None if there is not one for each."""
    known = [one for one in found if one is not None]
    return most(known, key=when) if len(known) == len(found) else None
