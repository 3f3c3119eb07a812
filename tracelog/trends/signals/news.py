"""What has come in since signals were worked out last, and how much must be worked out anew."""

import json
import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.defects.queries import entry

# Kinds of record after which every signal is what it was.
_INERT = frozenset(
    {
        *("account", "token", "case", "handover note", "rejected message", "service pins"),
        *("planned periods", "signal", "signal budget", "baselines", "gauge readings"),
        *("services", "service levels", "tools", "tool fits", "tool works", "coils", "coil runs"),
        *("pallets", "changes", "measurements"),
        *("subscription", "webhook", "message"),
    }
)


@dataclass(frozen=True)
class News:
    """What has to be worked out.

    Attributes:
        anew: everything, with baselines and thresholds.
        machine_ids: else only these machines; None: all of them.
    """

    anew: bool
    machine_ids: frozenset[uuid.UUID] | None = frozenset()

    @property
    def is_nothing(self) -> bool:
        """Whether all is as it was."""
        return not self.anew and self.machine_ids == frozenset()


ANEW = News(anew=True, machine_ids=None)


def news_since(session: Session, sequence: int, epoch_at: datetime) -> News:
    """What came after an audit record.

    What reaches back before the epoch that is going on may change what was learned then, so all
    is worked out anew; else only the machines of new entries, or all after readings.

    Args:
        session: an open session.
        sequence: number of the record.
        epoch_at: since when the present baselines hold.
    """
    rows = session.execute(
        select(
            *(AuditRecord.subject_kind, AuditRecord.subject, AuditRecord.action, AuditRecord.after)
        )
        .where(AuditRecord.sequence > sequence)
        .order_by(AuditRecord.sequence)
        .limit(_MOST_RECORDS + 1)
    ).all()
    if len(rows) > _MOST_RECORDS:
        return ANEW
    machines: set[uuid.UUID] = set()
    every = False
    for row in rows:
        if row.subject_kind in _INERT:
            continue
        if row.subject_kind not in ("entry", "reading") or row.after is None:
            return ANEW
        after = json.loads(row.after)
        is_new = row.action == "log entries" or row.subject_kind == "reading"
        single = _one_entry(session, row.subject) if row.subject_kind == "entry" else None
        moments = [after.get("earliest") or after.get("read_at")] if is_new else []
        told = [datetime.fromisoformat(moment) for moment in moments if moment]
        if single is not None:
            told += single.moments
        if not told or min(told) < epoch_at:
            return ANEW
        if is_new and single is not None:
            machines |= single.machines
        else:
            every = True
    return News(anew=False, machine_ids=None if every else frozenset(machines))


_MOST_RECORDS = 2_000


@dataclass(frozen=True)
class _Entry:
    machines: frozenset[uuid.UUID]
    moments: list[datetime]


def _one_entry(session: Session, subject: str) -> _Entry | None:
    try:
        record = entry(session, uuid.UUID(subject))
    except ValueError:
        return None
    views = (record.original, record.now)
    known = (view.machine_id for view in views)
    return _Entry(
        frozenset(one for one in known if one is not None), [view.occurred_at for view in views]
    )
