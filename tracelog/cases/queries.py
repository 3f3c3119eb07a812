"""Reads of the cases: what is open, and whether the fix held."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.cases.facts import StepKind
from tracelog.cases.models import Case, CaseStep
from tracelog.cases.rules import Side, Verification, verify
from tracelog.defects.counts import production_counts
from tracelog.defects.queries import EntryFilter, vocabulary
from tracelog.errors import NotFound, UnknownReference
from tracelog.language import _
from tracelog.plant.queries import Directory, directory
from tracelog.strokes.queries import Span, machine_span, strokes_between
from tracelog.trends.signals.queries import SignalView, kept_signals
from tracelog.trends.signals.wording import says

ENDS = (StepKind.HELD.value, StepKind.DROPPED.value)


@dataclass(frozen=True)
class Step:
    """A note, an action or the end of a case."""

    id: uuid.UUID
    kind: str
    at: datetime
    text: str
    by: str


@dataclass(frozen=True)
class CaseView:
    """A case with its steps in order of time; `place` is a machine such as 3-7, or a line."""

    id: uuid.UUID
    title: str
    defect: str
    defect_title: str
    place: str
    line: int
    machine_ids: tuple[uuid.UUID, ...]
    since_at: datetime
    opened_at: datetime
    opened_by: str
    steps: tuple[Step, ...]

    @property
    def ended_as(self) -> str | None:
        """``held`` or ``dropped``; None while the case is open."""
        ended: str | None = None
        for step in self.steps:
            if step.kind in ENDS:
                ended = step.kind
            elif step.kind == StepKind.REOPENED.value:
                ended = None
        return ended

    @property
    def is_open(self) -> bool:
        """Whether it has not ended."""
        return self.ended_as is None

    @property
    def acted_at(self) -> datetime | None:
        """When the last action was taken."""
        acted = [step.at for step in self.steps if step.kind == StepKind.ACTION.value]
        return max(acted, default=None)


@dataclass(frozen=True)
class CaseStanding:
    """A case and what the numbers say of it."""

    case: CaseView
    verification: Verification

    @property
    def is_open(self) -> bool:
        """Whether it has not ended."""
        return self.case.is_open


def place_of(session: Session, place: str) -> tuple[uuid.UUID, uuid.UUID | None]:
    """Line and machine of a place: ``3`` or ``3-7``.

    Raises:
        UnknownReference: the plant has no such line or machine; at the field ``place``.
    """
    known = directory(session)
    try:
        if place.isdecimal():
            return known.line(int(place)), None
        machine = known.machine_named(place)
    except UnknownReference as problem:
        raise UnknownReference(problem.sentence, "place") from None
    return machine.line_id, machine.id


def cases(session: Session) -> list[CaseView]:
    """All cases, open ones first, then the newest. A fixed number of statements."""
    rows = session.execute(select(Case).order_by(Case.opened_at.desc())).scalars().all()
    found = _views(session, rows)
    return sorted(found, key=lambda one: not one.is_open)


def case(session: Session, case_id: uuid.UUID, as_of: datetime) -> CaseStanding:
    """One case and what the numbers say. A fixed number of statements.

    Raises:
        NotFound: there is no such case.
    """
    rows = session.execute(select(Case).where(Case.id == case_id)).scalars().all()
    if not rows:
        raise NotFound(_("there is no case with the id %(id)s", id=case_id))
    view = _views(session, rows)[0]
    acted_at = view.acted_at
    before = _side(session, view, view.since_at, min(acted_at or as_of, as_of), as_of)
    after = None if acted_at is None else _side(session, view, acted_at, as_of, as_of)
    return CaseStanding(view, verify(before, after))


@dataclass(frozen=True)
class CaseSignal:
    """A signal that is the case's, or may become it."""

    signal: SignalView
    says: str
    is_attached: bool


def case_signals(session: Session, about: CaseView) -> list[CaseSignal]:
    """Signals attached to a case, and those that are on for its defect where it is seen."""
    places = directory(session)
    found = []
    for one in kept_signals(session, places):
        attached = one.decision is not None and one.decision.case_id == about.id
        fits = one.defect == about.defect and one.machine.id in about.machine_ids and one.is_open
        if attached or (fits and (one.decision is None or one.decision.case_id is None)):
            found.append(CaseSignal(one, says(one), attached))
    return found


def _side(
    session: Session, view: CaseView, start: datetime, end: datetime, as_of: datetime
) -> Side:
    known = machine_span(session, view.machine_ids, as_of)
    if known:
        # What was found while no counter was read has no strokes beside it, on either side.
        start = max(start, min(span.first_at for span in known.values()))
        end = min(end, max(span.last_at for span in known.values()))
    if start >= end:
        return Side(0, 0)
    asked = EntryFilter(
        start=start, end=end, machine_ids=view.machine_ids, defects=(view.defect,), as_of=as_of
    )
    counted = production_counts(session, asked, by=())
    strokes = strokes_between(session, [Span(one, start, end) for one in view.machine_ids], as_of)
    return Side(sum(row.counted_occurrences for row in counted), sum(strokes))


def _views(session: Session, rows: Sequence[Case]) -> list[CaseView]:
    known = directory(session)
    kinds = {kind.id: kind for kind in vocabulary(session)}
    steps: dict[uuid.UUID, list[Step]] = {}
    for step in session.execute(
        select(CaseStep)
        .where(CaseStep.case_id.in_([row.id for row in rows]))
        .order_by(CaseStep.written_at, CaseStep.id)
    ).scalars():
        told = Step(step.id, step.kind, step.at, step.text, step.by)
        steps.setdefault(step.case_id, []).append(told)
    return [
        CaseView(
            row.id,
            row.title,
            kinds[row.defect_id].defect,
            kinds[row.defect_id].title,
            known.by_id[row.machine_id].text
            if row.machine_id
            else str(known.line_numbers[row.line_id]),
            known.line_numbers[row.line_id],
            _machines(known, row),
            row.since_at,
            row.opened_at,
            row.opened_by,
            tuple(steps.get(row.id, ())),
        )
        for row in rows
    ]


def _machines(known: Directory, row: Case) -> tuple[uuid.UUID, ...]:
    if row.machine_id is not None:
        return (row.machine_id,)
    return tuple(one.id for one in known.bodymakers if one.line_id == row.line_id)
