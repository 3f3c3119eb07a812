"""Recording body stock and pallets: coils, where they ran, and what was filled from them."""

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.bulk import rows_with
from tracelog.errors import UnknownReference
from tracelog.language import _
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.facts import CoilFact, CoilRunFact, PalletFact
from tracelog.plant.models import Coil, CoilRun, Pallet
from tracelog.plant.queries import Directory, directory

_COILS = Keeping(
    table=Coil,
    kind="coils",
    key=("coil",),
    values=("alloy", "gauge_mm", "note"),
    among="coil",
    is_setting=True,
)
_COIL_RUNS = Keeping(
    table=CoilRun,
    kind="coil runs",
    key=("coil_id", "line_id", "started_at"),
    values=("ended_at",),
    among="coil_id",
    told_at={"coil_id": "coil", "line_id": "line"},
)
_PALLETS = Keeping(
    table=Pallet,
    kind="pallets",
    key=("pallet",),
    values=("line_id", "started_at", "ended_at", "cans", "status"),
    among="pallet",
    told_at={"line_id": "line"},
)


def record_coils(
    session: Session, facts: Sequence[CoilFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep coils of body stock; what is said of a known coil replaces what was said before.

    Args:
        session: an open session that writes.
        facts: the coils.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    rows: list[Values | Outcome] = [
        (fact.coil, fact.alloy, fact.gauge_mm, fact.note) for fact in facts
    ]
    return record_rows(session, _COILS, rows, actor, now)


def record_coil_runs(
    session: Session, facts: Sequence[CoilRunFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep which coil ran on which line, and complete runs whose end is known now.

    Args:
        session: an open session that writes.
        facts: the runs.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)
    coils = _coil_ids(session, {fact.coil for fact in facts})

    def row_of(fact: CoilRunFact) -> Values:
        line_id = known.line(fact.line)
        if fact.coil not in coils:
            raise UnknownReference(
                _("there is no coil '%(coil)s'; enter it among the coils first", coil=fact.coil),
                "coil",
            )
        return (coils[fact.coil], line_id, fact.started_at, fact.ended_at)

    names = _line_names(known) | {coil_id: coil for coil, coil_id in coils.items()}
    return record_rows(session, _COIL_RUNS, resolved(facts, row_of), actor, now, names=names)


def record_pallets(
    session: Session, facts: Sequence[PalletFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep pallets, and complete those whose end, cans or status are known now.

    Args:
        session: an open session that writes.
        facts: the pallets.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)

    def row_of(fact: PalletFact) -> Values:
        return (
            *(fact.pallet, known.line(fact.line), fact.started_at),
            *(fact.ended_at, fact.cans, fact.status),
        )

    return record_rows(
        session, _PALLETS, resolved(facts, row_of), actor, now, names=_line_names(known)
    )


def _coil_ids(session: Session, coils: set[str]) -> dict[str, uuid.UUID]:
    found = rows_with(session, [Coil.coil, Coil.id], Coil.coil, sorted(coils))
    return {row.coil: row.id for row in found}


def _line_names(known: Directory) -> dict[uuid.UUID, str]:
    return {line_id: str(line) for line, line_id in known.lines.items()}
