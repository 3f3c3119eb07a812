"""What an explanation is asked about."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.queries import vocabulary
from tracelog.errors import TracelogError, UnknownReference
from tracelog.facts import known_words
from tracelog.language import _

# The longest period that is weighed, the usual one, and what lies before it to learn from.
LONGEST = timedelta(days=366)
USUAL = timedelta(days=56)
HISTORY = timedelta(days=182)
_SHORTEST = timedelta(hours=1)


@dataclass(frozen=True)
class ExplainQuestion:
    """One kind of defect over a period.

    Attributes:
        defect: code.
        start, end: UTC, the end not included.
        as_of: only what was known by then; None: all.
    """

    defect: str
    start: datetime
    end: datetime
    as_of: datetime | None = None


def question(
    session: Session,
    defect: str | None,
    start: datetime | None,
    end: datetime | None,
    at: datetime,
    as_of: datetime | None = None,
) -> ExplainQuestion:
    """A question with what was left out filled in: the last eight weeks until now.

    Args:
        session: an open session.
        defect: code of the kind of defect.
        start, end: UTC; None: usual.
        at: now.
        as_of: only what was known by then.

    Raises:
        TracelogError: no such kind of defect, told at ``defect``; or a period that cannot be
            weighed, told at ``to``.
    """
    if not defect:
        raise TracelogError(_("is missing; give the code of a kind of defect"), "defect")
    codes = [one.defect for one in vocabulary(session)]
    if defect not in codes:
        known = known_words(sorted(codes)) or _("none yet")
        raise UnknownReference(
            _(
                "'%(defect)s' is not a kind of defect here; there are %(known)s",
                defect=defect[:40],
                known=known,
            ),
            "defect",
        )
    until = end or as_of or at
    if as_of is not None:
        until = min(until, as_of)
    first = start or until - USUAL
    if until - first < _SHORTEST:
        raise TracelogError(
            _("the period must be an hour or more, and begin before what is known ends"), "to"
        )
    if until - first > LONGEST:
        raise TracelogError(_("the period is longer than a year; ask about a part of it"), "to")
    return ExplainQuestion(defect, first, until, as_of)
