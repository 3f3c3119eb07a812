"""The list of cases: filtered, searched, sorted and cut into pages by the database."""

import uuid
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, exists, or_, select
from sqlalchemy.orm import Session

from tracelog.cases.facts import ACTED, StepKind
from tracelog.cases.models import Case, CaseStep
from tracelog.cases.queries import ENDS, HELD, CaseView, State, rises_on, views_of
from tracelog.cases.rules import came_back
from tracelog.defects.models import DefectType
from tracelog.paging import read_place, write_place
from tracelog.plant.models import Line, Machine

MOST_WORDS = 8
_TURNS = (*ENDS, StepKind.REOPENED.value)


class Asked(StrEnum):
    """Which cases are meant; `unended`: open, watching or came back."""

    UNENDED = "unended"
    OPEN = "open"
    WATCHING = "watching"
    CAME_BACK = "came back"
    HELD = "held"
    DROPPED = "dropped"
    ENDED = "ended"
    ALL = "all"


class Order(StrEnum):
    """By the instant of their opening."""

    NEWEST = "newest"
    OLDEST = "oldest"


@dataclass(frozen=True)
class CaseFilter:
    """Which cases are listed.

    Attributes:
        state: where they stand.
        line: a line's number; its machines' cases too.
        machine_id: of one machine; cases of its whole line are left out.
        defect: code.
        words: each must stand in the title or in a step; upper or lower case does not matter.
        order: newest or oldest first.
    """

    state: Asked = Asked.ALL
    line: int | None = None
    machine_id: uuid.UUID | None = None
    defect: str | None = None
    words: tuple[str, ...] = ()
    order: Order = Order.NEWEST


@dataclass(frozen=True)
class Page:
    """Some cases, and where the next page begins; None: there is none."""

    cases: tuple[CaseView, ...]
    next_after: str | None


def list_cases(session: Session, wanted: CaseFilter, most: int, after: str | None = None) -> Page:
    """One page of cases. A fixed number of statements.

    Args:
        session: an open session.
        wanted: which.
        most: at most so many.
        after: `next_after` of the page before.

    Raises:
        TracelogError: `after` is not from such a page; at the field ``after``.
    """
    asked = _chosen(wanted, _came_back_ids(session))
    if after is not None:
        moment, key = read_place(after)
        asked = asked.where(_beyond(wanted.order, moment, key))
    columns = (Case.opened_at, Case.id)
    asked = asked.order_by(
        *(one.desc() if wanted.order is Order.NEWEST else one.asc() for one in columns)
    )
    rows = session.execute(asked.limit(most + 1)).scalars().all()
    kept, more = rows[:most], len(rows) > most
    last = write_place(kept[-1].opened_at, kept[-1].id) if more else None
    return Page(tuple(views_of(session, kept)), last)


def _beyond(order: Order, moment: datetime, key: uuid.UUID) -> ColumnElement[bool]:
    if order is Order.NEWEST:
        return or_(Case.opened_at < moment, and_(Case.opened_at == moment, Case.id < key))
    return or_(Case.opened_at > moment, and_(Case.opened_at == moment, Case.id > key))


def _last_turn(column: Any) -> Any:
    """A column of the last step that ended a case or opened it again."""
    return (
        select(column)
        .where(CaseStep.case_id == Case.id, CaseStep.kind.in_(_TURNS))
        .order_by(CaseStep.written_at.desc(), CaseStep.id.desc())
        .limit(1)
        .correlate(Case)
        .scalar_subquery()
    )


def _came_back_ids(session: Session) -> list[uuid.UUID]:
    """Cases that ended as held and whose rise is signalled again. A statement beside signals'."""
    raised = rises_on(session)
    if not raised:
        return []
    asked = (
        select(
            *(Case.id, Case.line_id, Case.machine_id, DefectType.defect),
            _last_turn(CaseStep.at).label("ended_at"),
        )
        .join(DefectType)
        .where(
            _last_turn(CaseStep.kind).in_(HELD),
            DefectType.defect.in_({defect for _machine, defect in raised}),
        )
    )
    of_machines = select(Machine.id, Machine.line_id).where(
        Machine.id.in_({machine for machine, _defect in raised})
    )
    lines = {row.id: row.line_id for row in session.execute(of_machines)}
    found = []
    for row in session.execute(asked):
        moments = [
            at
            for (machine, defect), many in raised.items()
            for at in many
            if defect == row.defect
            and (machine == row.machine_id if row.machine_id else lines[machine] == row.line_id)
        ]
        if came_back(row.ended_at, moments) is not None:
            found.append(row.id)
    return found


def _chosen(wanted: CaseFilter, back: list[uuid.UUID]) -> Select[Any]:
    asked: Select[Any] = select(Case)
    if wanted.line is not None:
        asked = asked.join(Line, Line.id == Case.line_id).where(Line.line == wanted.line)
    if wanted.machine_id is not None:
        asked = asked.where(Case.machine_id == wanted.machine_id)
    if wanted.defect is not None:
        asked = asked.join(DefectType, DefectType.id == Case.defect_id).where(
            DefectType.defect == wanted.defect
        )
    for word in wanted.words[:MOST_WORDS]:
        in_steps = exists().where(
            CaseStep.case_id == Case.id, CaseStep.text.icontains(word, autoescape=True)
        )
        asked = asked.where(or_(Case.title.icontains(word, autoescape=True), in_steps))
    return asked if wanted.state is Asked.ALL else asked.where(_stands(wanted.state, back))


def _stands(state: Asked, back: list[uuid.UUID]) -> ColumnElement[bool]:
    last = _last_turn(CaseStep.kind)
    is_back = Case.id.in_(back)
    ended = and_(last.in_(ENDS), ~is_back)
    unended = or_(last.is_(None), last == StepKind.REOPENED.value)
    acted = exists().where(
        CaseStep.case_id == Case.id, CaseStep.kind.in_([kind.value for kind in ACTED])
    )
    if state is Asked.UNENDED:
        return or_(unended, is_back)
    if state is Asked.ENDED:
        return ended
    if state is Asked.CAME_BACK:
        return is_back
    if state is Asked.OPEN:
        return and_(unended, ~acted)
    if state is Asked.WATCHING:
        return and_(unended, acted)
    if state is Asked.HELD:
        return and_(last.in_(HELD), ~is_back)
    dropped: ColumnElement[bool] = last == State.DROPPED.value
    return dropped
