"""Freezing the baseline of a series: a person decides, with a reason, and it stays on record."""

import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.defects.queries import vocabulary
from tracelog.errors import Conflict, TracelogError, UnknownReference
from tracelog.facts import known_words
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.queries import Directory, directory
from tracelog.trends.models import FrozenBaseline
from tracelog.trends.series.facts import BaselineFact, BaselineWish
from tracelog.trends.series.queries import FrozenBaselineView, latest_word
from tracelog.trends.series.rules import SeriesEvidence, SeriesKey, kinds_in

_NEXT = timedelta(microseconds=1)
_BASELINES = Keeping(
    table=FrozenBaseline,
    kind="baselines",
    key=("id",),
    values=(
        *("line_id", "machine_id", "evidence", "of"),
        *("starts_at", "ends_at", "reason", "frozen_at", "frozen_by"),
    ),
    among="id",
    told_at={"line_id": "line", "machine_id": "bodymaker"},
)


def record_baselines(
    session: Session, facts: Sequence[BaselineFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep baselines as they were frozen elsewhere.

    Args:
        session: an open session that writes.
        facts: the baselines.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)
    kinds = [one.defect for one in vocabulary(session)]

    def row_of(fact: BaselineFact) -> Values:
        series = series_of(fact, known, kinds)
        line_id = None if series.line is None else known.lines[series.line]
        return (
            *(fact.id, line_id, series.machine_id, series.evidence.value, series.of),
            *(fact.starts_at, fact.ends_at, fact.reason, fact.frozen_at, fact.frozen_by),
        )

    names = {machine.id: machine.text for machine in known.machines.values()}
    names |= {line_id: str(line) for line, line_id in known.lines.items()}
    return record_rows(session, _BASELINES, resolved(facts, row_of), actor, now, names=names)


def series_of(
    fact: BaselineFact | BaselineWish, known: Directory, kinds: Sequence[str]
) -> SeriesKey:
    """The series that a fact is about.

    Raises:
        UnknownReference: no such line, bodymaker or kind of defect.
    """
    machine_id, line = None, fact.line
    if fact.line is not None:
        known.line(fact.line)
        if fact.bodymaker is not None:
            machine_id, line = known.bodymaker(fact.line, fact.bodymaker).id, None
    if fact.evidence is not SeriesEvidence.MEASUREMENTS:
        unknown = [kind for kind in kinds_in(fact.of) if kind not in kinds]
        if unknown:
            raise UnknownReference(
                _(
                    "'%(defect)s' is not a kind of defect here; known are %(known)s",
                    defect=unknown[0][:60],
                    known=known_words(sorted(kinds)) or _("none yet"),
                ),
                "of",
            )
    return SeriesKey(machine_id, line, fact.evidence, fact.of)


def freeze_baseline(
    session: Session, wish: BaselineWish, actor: Actor, now: datetime
) -> tuple[Outcome, uuid.UUID]:
    """Freeze the period that a series is judged by, or let it go back to the usual one.

    Args:
        session: an open session that writes.
        wish: the series, the period, the reason, and the baseline that the person saw.
        actor: who decides.
        now: UTC.

    Returns:
        `CREATED`, or `UNCHANGED` where the latest word about the series says the same already; and
        the id of that word.

    Raises:
        UnknownReference: no such line, bodymaker or kind of defect.
        TracelogError: the period is not over, or there is nothing to go back from.
        Conflict: somebody froze another baseline of the series meanwhile.
    """
    take_turn(session)
    known = directory(session)
    series = series_of(wish, known, [one.defect for one in vocabulary(session)])
    if wish.ends_at is not None and wish.ends_at > now:
        raise TracelogError(
            _("lies ahead; a baseline is a period that is over, so choose an earlier end"),
            "ends_at",
        )
    before = latest_word(session, series)
    said = (wish.starts_at, wish.ends_at, wish.reason)
    if before is not None and said == (before.start, before.end, before.reason):
        return UNCHANGED, before.id
    if (before.id if before else None) != wish.instead_of:
        raise Conflict(_changed_meanwhile(before), "instead_of")
    if wish.starts_at is None and (before is None or before.period is None):
        raise TracelogError(
            _("is missing; the usual baseline is in use already, so choose a period"), "starts_at"
        )
    subject = Subject("baselines", series_text(series, known))
    shown = None if before is None else _shown(before.start, before.end, before.reason)
    after = _shown(wish.starts_at, wish.ends_at, wish.reason)
    audit_id = append(session, actor, now, "freeze baseline", subject, shown, after)
    # The latest counts, also where the clock of whoever froze the one before runs ahead.
    frozen_at = now if before is None else max(now, before.frozen_at + _NEXT)
    baseline_id = new_id()
    session.execute(
        insert(FrozenBaseline).values(
            id=baseline_id,
            line_id=None if series.line is None else known.lines[series.line],
            machine_id=series.machine_id,
            evidence=series.evidence.value,
            of=series.of,
            starts_at=wish.starts_at,
            ends_at=wish.ends_at,
            reason=wish.reason,
            frozen_at=frozen_at,
            frozen_by=actor.name,
            audit_id=audit_id,
        )
    )
    return CREATED, baseline_id


def series_text(series: SeriesKey, known: Directory) -> str:
    """What a series is called in the audit trail."""
    place = "plant"
    if series.machine_id is not None:
        place = known.by_id[series.machine_id].text
    elif series.line is not None:
        place = f"line {series.line}"
    return f"{place} {series.evidence} {series.of or 'all kinds'}"


def _shown(start: datetime | None, end: datetime | None, reason: str) -> dict[str, Any]:
    return {
        "starts_at": None if start is None else write_instant(start),
        "ends_at": None if end is None else write_instant(end),
        "reason": reason,
    }


def _changed_meanwhile(there: FrozenBaselineView | None) -> str:
    if there is None:
        return _("there is no such baseline of this series; look at the chart as it stands now")
    return _(
        "%(who)s froze another baseline of this series meanwhile (%(reason)s); look at the chart"
        " as it stands now, then decide again",
        who=there.frozen_by,
        reason=there.reason,
    )
