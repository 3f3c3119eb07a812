"""What is asked of a group: which plants, which defects, which period."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from tracelog.errors import TracelogError
from tracelog.group.queries import USUAL_PERIOD
from tracelog.instants import moment_or_day, zone_named
from tracelog.language import _

MOST_DEFECTS = 20


@dataclass(frozen=True)
class Period:
    """A period, UTC, the end not included."""

    start: datetime
    end: datetime


def read_period(
    from_: str | None, to: str | None, now: datetime, tell: Callable[[str, str], None]
) -> Period:
    """The period that is meant; without one, the four weeks until now.

    Plants lie in several zones, so that days are those of UTC, and instants need their offset.

    Args:
        from_, to: as given; a day means its start, or its end where it ends the period.
        now: UTC.
        tell: called with the name of what is wrong and one sentence.
    """
    zone = zone_named("UTC")
    found = {"from": now - USUAL_PERIOD, "to": now}
    for name, given in (("from", from_), ("to", to)):
        if given:
            try:
                found[name] = moment_or_day(given, zone, ends=name == "to")
            except ValueError as problem:
                tell(name, str(problem))
    if from_ is None and to is not None:
        found["from"] = found["to"] - USUAL_PERIOD
    if found["from"] >= found["to"]:
        tell("to", _("the period must end after it begins"))
    return Period(found["from"], found["to"])


def period_of_options(from_: str | None, to: str | None, now: datetime) -> Period:
    """As `read_period`, for a command.

    Raises:
        TracelogError: one of them cannot be read.
    """

    def tell(name: str, sentence: str) -> None:
        raise TracelogError(f"--{name}: {sentence}", name)

    return read_period(from_, to, now, tell)
