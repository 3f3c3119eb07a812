"""Decisions about tracing that need no database: when a can was made, and how likely by whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from tracelog.language import _

# Cups wait on the conveyor between cupping press and bodymaker, so the coil in a can may be the
# one before; 1 to 10 minutes (common practice, no source).
CUP_CONVEYOR = timedelta(minutes=10)
# Where a plant has not said how long its cans take to the palletiser: usual times with
# accumulators empty to full (common practice, no source).
USUAL_TRANSIT_MINUTES = (20, 240)


@dataclass(frozen=True)
class Made:
    """When a can was made: an interval (start = end: an instant), and what says so."""

    start: datetime
    end: datetime
    basis: str

    @property
    def middle(self) -> datetime:
        """The instant that stands for the interval where one figure is needed."""
        return self.start + (self.end - self.start) / 2

    @property
    def is_instant(self) -> bool:
        """Whether the time of making is known to the moment."""
        return self.start == self.end


def transit(minutes: tuple[int, int] | None) -> tuple[timedelta, timedelta]:
    """Shortest and longest way from bodymaker to palletiser, the usual one if not known."""
    shortest, longest = minutes or USUAL_TRANSIT_MINUTES
    return timedelta(minutes=shortest), timedelta(minutes=longest)


def made_before_pallet(
    started_at: datetime, ended_at: datetime | None, minutes: tuple[int, int] | None
) -> Made:
    """When the cans of a pallet were made: its filling, less the way to the palletiser.

    Args:
        started_at: first can on the pallet.
        ended_at: last can; None: taken as the start, since filling takes minutes.
        minutes: the plant's transit.
    """
    shortest, longest = transit(minutes)
    return Made(
        started_at - longest,
        max((ended_at or started_at) - shortest, started_at - longest),
        _("the pallet's filling time less the way from bodymaker to palletiser"),
    )


def reaches_pallets(made: Made, minutes: tuple[int, int] | None) -> tuple[datetime, datetime]:
    """Between which instants cans made in `made` arrive at the palletiser."""
    shortest, longest = transit(minutes)
    return made.start + shortest, made.end + longest


def narrowed(first: Made, second: Made) -> Made | None:
    """What two bases say together; None when they contradict each other."""
    start, end = max(first.start, second.start), min(first.end, second.end)
    return Made(start, end, f"{first.basis}; {second.basis}") if start <= end else None


def hull(stretches: Sequence[Made]) -> Made:
    """The shortest interval that holds all of them, on the basis of the first; at least one."""
    return Made(
        min(one.start for one in stretches),
        max(one.end for one in stretches),
        stretches[0].basis,
    )


def shares(strokes: Sequence[int]) -> list[float]:
    """How likely each candidate made the can: its share of the strokes made meanwhile.

    Every stroke of every candidate is taken as equally likely to have made it. Without any
    strokes on record all are equally likely.
    """
    total = sum(strokes)
    if total <= 0:
        return [1.0 / len(strokes) for _one in strokes]
    return [one / total for one in strokes]
