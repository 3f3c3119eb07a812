"""Reads of stock on hold: the list, one hold with its pallets, and which pallets are held."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Select, bindparam, func, select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.db import read_once
from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.models import Pallet
from tracelog.plant.queries import Directory, directory
from tracelog.plant.stay_statements import PALLET_COLUMNS
from tracelog.plant.stays import PalletStay, pallet_stay
from tracelog.trace.holds.facts import StepKind
from tracelog.trace.holds.rules import STATUS_STEPS, HoldStanding, PalletStanding, StepSeen, stand
from tracelog.trace.models import Hold, HoldStep

MOST_HOLDS = 100
HELD = "held"
_STEP_COLUMNS = (
    *(HoldStep.id, HoldStep.step, HoldStep.pallet, HoldStep.at, HoldStep.written_at),
    *(HoldStep.by, HoldStep.reason, HoldStep.place, HoldStep.expected_suspect),
    *(HoldStep.chance_of_none, HoldStep.inspected, HoldStep.defective),
    *(HoldStep.made_from, HoldStep.made_to),
)


@dataclass(frozen=True)
class HoldFilter:
    """Which holds are meant.

    Attributes:
        is_open: only open ones, or only closed ones.
        pallet: only those in which this pallet is or was.
        before: only those with a lower number, for the next page.
    """

    is_open: bool | None = None
    pallet: str | None = None
    before: int | None = None


@dataclass(frozen=True)
class HeldPallet:
    """A pallet in a hold: how it stands there, what is on record of it, and who else holds it.

    `stay` is None where the number on the tag is on record nowhere else.
    """

    standing: PalletStanding
    stay: PalletStay | None
    line: int | None
    also_in: tuple[int, ...]

    @property
    def pallet(self) -> str:
        """The number on its tag."""
        return self.standing.pallet

    @property
    def cans(self) -> int | None:
        """Cans on it, where that is on record."""
        return self.stay.cans if self.stay is not None else None


@dataclass(frozen=True)
class HoldView:
    """A hold with its pallets and steps; instants in UTC.

    `pallets` are in the order in which they were filled; `steps` are in the order in which they
    were written.
    """

    id: uuid.UUID
    number: int
    reason: str
    defect: str | None
    defect_title: str | None
    line: int | None
    machine: str | None
    accepted_risk: float | None
    raised_at: datetime
    raised_by: str
    standing: HoldStanding
    pallets: tuple[HeldPallet, ...]
    steps: tuple[StepSeen, ...]

    @property
    def is_open(self) -> bool:
        """Whether it is not closed."""
        return self.standing.closed is None

    @property
    def held(self) -> list[HeldPallet]:
        """Pallets that nobody has decided about."""
        return [one for one in self.pallets if one.standing.is_held]

    @property
    def found(self) -> int:
        """Undecided pallets that were found."""
        return sum(one.standing.is_found for one in self.held)

    @property
    def missing(self) -> list[HeldPallet]:
        """Undecided pallets that somebody looked for in vain."""
        return [one for one in self.held if one.standing.is_missing]

    @property
    def not_sought(self) -> int:
        """Undecided pallets of which nobody has said where they are."""
        return sum(one.standing.whereabouts is None for one in self.held)

    @property
    def cans(self) -> int:
        """Cans on pallets that are on hold, of those whose count is on record."""
        return sum(one.cans or 0 for one in self.held)

    @property
    def expected_suspect(self) -> float | None:
        """Suspect cans expected on pallets that are on hold; None where no window says so."""
        told = [one.standing.held.expected_suspect for one in self.held]
        known = [one for one in told if one is not None]
        return sum(known) if known else None

    def decided(self, step: StepKind) -> int:
        """How many pallets were released, conceded or scrapped."""
        return sum(
            one.standing.decision is not None and one.standing.decision.step is step
            for one in self.pallets
        )


def hold_row(session: Session, hold_id: uuid.UUID) -> Hold:
    """A hold as it was raised.

    Raises:
        NotFound: there is no such hold.
    """
    found = session.execute(select(Hold).where(Hold.id == hold_id)).scalar_one_or_none()
    if found is None:
        raise NotFound(_("there is no hold with the id %(id)s", id=hold_id))
    return found


def pallets_first_held(session: Session, hold_id: uuid.UUID | None) -> set[str]:
    """Numbers of the pallets with which a hold was raised."""
    asked = (
        select(HoldStep.pallet)
        .join(Hold, Hold.id == HoldStep.hold_id)
        .where(HoldStep.hold_id == hold_id, HoldStep.audit_id == Hold.audit_id)
    )
    return {one for one in session.execute(asked).scalars() if one is not None}


def kept_steps(
    session: Session, hold_id: uuid.UUID, as_of: datetime | None = None
) -> list[StepSeen]:
    """The steps of a hold in the order in which they were written. One statement."""
    return _steps(session, [hold_id], as_of).get(hold_id, [])


def _steps(
    session: Session, hold_ids: Sequence[uuid.UUID], as_of: datetime | None
) -> dict[uuid.UUID, list[StepSeen]]:
    # Two steps may bear the same instant; the audit trail knows which came first.
    asked = (
        select(HoldStep.hold_id, *_STEP_COLUMNS)
        .join(AuditRecord, AuditRecord.id == HoldStep.audit_id)
        .where(HoldStep.hold_id.in_(hold_ids))
        .order_by(AuditRecord.sequence, HoldStep.pallet, HoldStep.at, HoldStep.id)
    )
    if as_of is not None:
        asked = asked.where(HoldStep.written_at <= as_of)
    found: dict[uuid.UUID, list[StepSeen]] = {}
    for row in session.execute(asked):
        values = row._asdict()
        hold_id = values.pop("hold_id")
        values["step"] = StepKind(values["step"])
        found.setdefault(hold_id, []).append(StepSeen(**values))
    return found


def holds(
    session: Session, wanted: HoldFilter, as_of: datetime, most: int = MOST_HOLDS
) -> list[HoldView]:
    """Holds, the last raised first. A fixed number of statements.

    Args:
        session: an open session.
        wanted: which.
        as_of: UTC; only what was written by then.
        most: at most so many.
    """
    asked = select(Hold).where(Hold.raised_at <= as_of).order_by(Hold.number.desc()).limit(most)
    if wanted.is_open is not None:
        closed = select(HoldStep.id).where(
            HoldStep.hold_id == Hold.id,
            HoldStep.step == StepKind.CLOSED.value,
            HoldStep.written_at <= as_of,
        )
        asked = asked.where(~closed.exists() if wanted.is_open else closed.exists())
    if wanted.pallet is not None:
        has_it = select(HoldStep.hold_id).where(
            HoldStep.pallet == wanted.pallet, HoldStep.written_at <= as_of
        )
        asked = asked.where(Hold.id.in_(has_it))
    if wanted.before is not None:
        asked = asked.where(Hold.number < wanted.before)
    return _views(session, asked, as_of)


def hold_numbered(session: Session, number: int, as_of: datetime) -> HoldView:
    """One hold. A fixed number of statements.

    Raises:
        NotFound: there is no such hold.
    """
    found = _views(session, select(Hold).where(Hold.number == number), as_of)
    if not found:
        raise NotFound(_("there is no hold %(number)d", number=number))
    return found[0]


def hold_with_id(session: Session, hold_id: uuid.UUID, as_of: datetime) -> HoldView:
    """One hold by its id. A fixed number of statements.

    Raises:
        NotFound: there is no such hold.
    """
    found = _views(session, select(Hold).where(Hold.id == hold_id), as_of)
    if not found:
        raise NotFound(_("there is no hold with the id %(id)s", id=hold_id))
    return found[0]


def holds_with_ids(
    session: Session, hold_ids: Sequence[uuid.UUID], as_of: datetime
) -> list[HoldView]:
    """Some holds by their ids, by number. A fixed number of statements."""
    return _views(session, select(Hold).where(Hold.id.in_(hold_ids)).order_by(Hold.number), as_of)


def held_pallets(session: Session, as_of: datetime) -> dict[str, tuple[int, ...]]:
    """Every pallet that is on hold, with the numbers of the holds that hold it. One statement.

    A pallet in several holds is free only when each of them has decided about it.
    """

    def read() -> dict[str, tuple[int, ...]]:
        found: dict[str, tuple[int, ...]] = {}
        for pallet, number in session.execute(_held(), {"as_of": as_of}):
            found[pallet] = (*found.get(pallet, ()), number)
        return found

    # A page may ask for two lists of holds.
    return read_once(session, f"held pallets {as_of.isoformat()}", read)


@cache
def _held() -> Any:
    """The statement, made once: `as_of` is left open."""
    last = (
        select(
            HoldStep.pallet,
            HoldStep.step,
            Hold.number,
            func.row_number()
            .over(
                partition_by=(HoldStep.hold_id, HoldStep.pallet),
                order_by=AuditRecord.sequence.desc(),
            )
            .label("place"),
        )
        .join(Hold, Hold.id == HoldStep.hold_id)
        .join(AuditRecord, AuditRecord.id == HoldStep.audit_id)
        .where(
            HoldStep.step.in_([step.value for step in STATUS_STEPS]),
            HoldStep.written_at <= bindparam("as_of"),
        )
        .subquery()
    )
    return (
        select(last.c.pallet, last.c.number)
        .where(last.c.place == 1, last.c.step == StepKind.HELD.value)
        .order_by(last.c.pallet, last.c.number)
    )


def as_held(stays: Iterable[PalletStay], held: Mapping[str, Any]) -> list[PalletStay]:
    """Pallets with the status that counts: held while any hold holds them, else as recorded.

    Args:
        stays: as they are on record.
        held: what `held_pallets` tells.
    """
    return [replace(one, status=HELD) if one.pallet in held else one for one in stays]


def _views(session: Session, asked: Select[Hold], as_of: datetime) -> list[HoldView]:
    rows = session.execute(asked).scalars().all()
    ids = [row.id for row in rows]
    steps = _steps(session, ids, as_of)
    stays = _stays(session, ids, as_of)
    held = held_pallets(session, as_of)
    known = directory(session)
    kinds = {kind.id: kind for kind in vocabulary(session)}
    found = []
    for row in rows:
        own = steps.get(row.id, [])
        standing = stand(row.number, row.raised_by, (row.made_from, row.made_to), own)
        kind = kinds[row.defect_id] if row.defect_id is not None else None
        found.append(
            HoldView(
                id=row.id,
                number=row.number,
                reason=row.reason,
                defect=kind.defect if kind else None,
                defect_title=kind.title if kind else None,
                line=known.line_numbers[row.line_id] if row.line_id else None,
                machine=known.by_id[row.machine_id].text if row.machine_id else None,
                accepted_risk=row.accepted_risk,
                raised_at=row.raised_at,
                raised_by=row.raised_by,
                standing=standing,
                pallets=tuple(
                    sorted(
                        (
                            _pallet(one, stays.get(one.pallet), held, known, row.number)
                            for one in standing.pallets.values()
                        ),
                        key=_by_time,
                    )
                ),
                steps=tuple(own),
            )
        )
    return found


def _by_time(one: HeldPallet) -> tuple[bool, datetime, str]:
    """In the order in which they were filled; what is on record nowhere comes last."""
    if one.stay is None:
        return True, one.standing.held.at, one.pallet
    return False, one.stay.started_at, one.pallet


def _pallet(
    standing: PalletStanding,
    stay: PalletStay | None,
    held: Mapping[str, tuple[int, ...]],
    known: Directory,
    number: int,
) -> HeldPallet:
    others = tuple(one for one in held.get(standing.pallet, ()) if one != number)
    line = known.line_numbers[stay.line_id] if stay is not None else None
    return HeldPallet(standing, stay, line, others)


def _stays(
    session: Session, hold_ids: Sequence[uuid.UUID], as_of: datetime
) -> dict[str, PalletStay]:
    """What is on record of the pallets of some holds, by number. One statement."""
    named = select(HoldStep.pallet).where(
        HoldStep.hold_id.in_(hold_ids), HoldStep.pallet.is_not(None)
    )
    asked = select(*PALLET_COLUMNS).where(Pallet.pallet.in_(named), Pallet.started_at <= as_of)
    return {row.pallet: pallet_stay(row, as_of) for row in session.execute(asked)}
