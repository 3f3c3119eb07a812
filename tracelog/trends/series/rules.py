"""Decisions about one series and its frozen baseline that need no database."""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

# Kinds of defect of a series stand in order with this between them.
BETWEEN_KINDS = ","


class RunRules(StrEnum):
    """Which published set of run rules is looked for; each stands by itself, none is the usual."""

    NONE = "none"
    WESTERN_ELECTRIC = "western-electric-1956"
    NELSON = "nelson-1984"


class SeriesEvidence(StrEnum):
    """What a series is made of."""

    PRODUCTION = "production"
    SAMPLES = "samples"
    MEASUREMENTS = "measurements"


@dataclass(frozen=True)
class SeriesKey:
    """Which series: where (neither line nor machine: the whole plant), of what, made of what.

    `of` is kinds of defect in order with commas between them, empty for all kinds together; for
    measurements the characteristic. `line` is None where the machine says it.
    """

    machine_id: uuid.UUID | None
    line: int | None
    evidence: SeriesEvidence
    of: str


def kinds_text(defects: Iterable[str]) -> str:
    """Kinds of defect as a series keeps them: each once, in order.

    Example:
        >>> kinds_text(["wrinkle", "split", "wrinkle"])
        'split,wrinkle'
    """
    return BETWEEN_KINDS.join(sorted({one.strip() for one in defects if one.strip()}))


def kinds_in(of: str) -> tuple[str, ...]:
    """The kinds of defect of a series, none for all together.

    Example:
        >>> kinds_in("split,wrinkle"), kinds_in("")
        (('split', 'wrinkle'), ())
    """
    return tuple(of.split(BETWEEN_KINDS)) if of else ()


class EventKind(StrEnum):
    """What can happen to a series beside its entries."""

    SERVICE = "service"
    FITTED = "tool fitted"
    REMOVED = "tool removed"
    COIL = "coil"
    CHANGE = "change"


# What speaks for a new baseline where it happens after the one in use. A coil comes too often, and
# a tool that is taken out without another has none to run with.
_PROPOSING = (EventKind.SERVICE, EventKind.FITTED, EventKind.CHANGE)


@dataclass(frozen=True)
class Event:
    """Something that happened on the way, at an instant (UTC).

    `what` is the level of a service, the serial of a tool, the coil, or the kind of a change;
    `more` a position, a note, or blank. `machine` is None for what happened to a whole line.
    """

    at: datetime
    kind: EventKind
    what: str
    more: str = ""
    machine: str | None = None
    line: int | None = None


@dataclass(frozen=True)
class Proposal:
    """A new baseline that an event speaks for: from the event to the end of what is shown."""

    event: Event
    start: datetime
    end: datetime


def proposed_baseline(
    events: Sequence[Event],
    frozen: tuple[datetime, datetime] | None,
    is_one_machine: bool,
    shown_until: datetime,
) -> Proposal | None:
    """The new baseline that what happened after the frozen one speaks for.

    Args:
        events: of the period shown.
        frozen: the frozen baseline in use, UTC; without one there is nothing to replace.
        is_one_machine: services and tools of a single machine alter it; on a line or in the plant
            something is serviced every day, so that only changes to a whole line count.
        shown_until: end of the period shown, UTC.

    Returns:
        From the last event on, one of the machine itself before one of its whole line; None where
        nothing happened since.
    """
    if frozen is None:
        return None
    after = [
        one
        for one in events
        if one.kind in _PROPOSING
        and frozen[1] <= one.at < shown_until
        and (is_one_machine or one.machine is None)
    ]
    if not after:
        return None
    last = max(after, key=lambda one: (one.machine is not None, one.at))
    return Proposal(last, last.at, shown_until)
