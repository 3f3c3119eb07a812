"""Decisions about complaints that need no database."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from tracelog.cases.complaints.facts import StepKind
from tracelog.defects.facts import Severity

# A filler waits for the first answer no longer than this (common practice, no source).
ANSWER_WITHIN = timedelta(hours=24)
RISKY = frozenset({Severity.LEAK.value, Severity.CONTACT.value})
# Where seaming or handling at the filler can do the same as the can's maker.
SEAM_POSSIBLE = frozenset({Severity.LEAK.value, Severity.STRENGTH.value, Severity.RUN.value})


@dataclass(frozen=True)
class Age:
    """How long a complaint waited, or waits, for its first answer.

    `is_late`: longer than a day.
    """

    waited: timedelta
    is_answered: bool

    @property
    def is_late(self) -> bool:
        """Whether a day went by before the first answer."""
        return self.waited > ANSWER_WITHIN

    @property
    def hours(self) -> float:
        """Hours until the first answer, or until now."""
        return self.waited / timedelta(hours=1)


def age(received_at: datetime, answered_at: datetime | None, as_of: datetime) -> Age:
    """How long the first answer took, or has taken so far."""
    return Age((answered_at or as_of) - received_at, answered_at is not None)


def is_closed(steps: Iterable[StepKind]) -> bool:
    """Whether a complaint is closed after its steps, in the order in which they were written."""
    closed = False
    for step in steps:
        if step is StepKind.CLOSED:
            closed = True
        elif step is StepKind.REOPENED:
            closed = False
    return closed


def needs_authority(severity: str | None) -> bool:
    """Whether a defect can leak or touch what is in the can."""
    return severity in RISKY


def asks_for_seam(severity: str | None) -> bool:
    """Whether seaming or handling at the filler may be the cause; also where nobody knows."""
    return severity is None or severity in SEAM_POSSIBLE
