"""Reads of the cases: what is open, and whether the fix held."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.cases.causes import LikelyCause, weigh_by_explanation, weigh_causes
from tracelog.cases.facts import ACTED, StepKind
from tracelog.cases.models import Case, CaseStep
from tracelog.cases.rules import Side, Verification, came_back, verify
from tracelog.defects.counts import production_counts
from tracelog.defects.models import DefectType
from tracelog.defects.queries import EntryFilter, vocabulary
from tracelog.errors import NotFound, UnknownReference
from tracelog.language import _
from tracelog.plant.models import Change
from tracelog.plant.queries import Directory, directory
from tracelog.reference import defect_type
from tracelog.strokes.queries import Span, machine_span, strokes_between
from tracelog.trends.signals.queries import SignalView, kept_signals
from tracelog.trends.signals.rules import Kind
from tracelog.trends.signals.wording import says

HELD = (StepKind.HELD.value, StepKind.JUDGED.value)
ENDS = (*HELD, StepKind.DROPPED.value)
_ACTED = tuple(kind.value for kind in ACTED)


class State(StrEnum):
    """Where a case stands."""

    OPEN = "open"
    WATCHING = "watching"
    CAME_BACK = "came back"
    HELD = "held"
    DROPPED = "dropped"


@dataclass(frozen=True)
class Step:
    """What was checked, found, changed or noted, or the end of a case.

    `minutes_down` is how long the machine stood for it; `change` the kind of change that was kept.
    """

    id: uuid.UUID
    kind: str
    at: datetime
    text: str
    by: str
    minutes_down: int | None = None
    change: str | None = None


@dataclass(frozen=True)
class CaseView:
    """A case with its steps in order of time; `place` is a machine such as 3-7, or a line.

    `came_back_at` is when a signal was raised, and is still on, of a case that had ended as held.
    """

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
    came_back_at: datetime | None = None

    @property
    def last_end(self) -> Step | None:
        """The step that ended the case; None where none did, or it was opened again since."""
        ended: Step | None = None
        for step in self.steps:
            if step.kind in ENDS:
                ended = step
            elif step.kind == StepKind.REOPENED.value:
                ended = None
        return ended

    @property
    def ended_as(self) -> str | None:
        """``held`` or ``dropped``; None while the case is open, or when the defect came back."""
        ended = self.last_end
        if ended is None or self.came_back_at:
            return None
        return StepKind.HELD.value if ended.kind in HELD else ended.kind

    @property
    def state(self) -> State:
        """Where it stands."""
        if self.came_back_at:
            return State.CAME_BACK
        if self.ended_as is not None:
            return State(self.ended_as)
        return State.WATCHING if self.is_watched else State.OPEN

    @property
    def is_judged(self) -> bool:
        """Whether it ended as held by somebody's judgement and not by the numbers."""
        ended = self.last_end
        return ended is not None and ended.kind == StepKind.JUDGED.value

    def ended_at(self, now: datetime) -> datetime:
        """When it ended, or now while it is open."""
        ended = self.last_end
        return now if ended is None or self.is_open else ended.at

    def age_days(self, now: datetime) -> float:
        """Days from its opening to its end, or until now while it is open."""
        return max((self.ended_at(now) - self.opened_at).total_seconds(), 0.0) / 86_400

    @property
    def is_watched(self) -> bool:
        """Whether something was done, and nobody has ended the case since."""
        return self.last_end is None and self.acted_at is not None

    @property
    def is_open(self) -> bool:
        """Whether it has not ended."""
        return self.ended_as is None

    @property
    def acted_at(self) -> datetime | None:
        """When the last action was taken."""
        acted = [step.at for step in self.steps if step.kind in _ACTED]
        return max(acted, default=None)

    @property
    def confirmed(self) -> list[str]:
        """Causes that were confirmed, in the order in which they were written."""
        return [step.text for step in self.steps if step.kind == StepKind.CONFIRMED.value]


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
    found = views_of(session, rows)
    return sorted(found, key=lambda one: not one.is_open)


def case(session: Session, case_id: uuid.UUID, as_of: datetime) -> CaseStanding:
    """One case and what the numbers say. A fixed number of statements.

    Raises:
        NotFound: there is no such case.
    """
    rows = session.execute(select(Case).where(Case.id == case_id)).scalars().all()
    if not rows:
        raise NotFound(_("there is no case with the id %(id)s", id=case_id))
    (view,) = views_of(session, rows)
    acted_at = view.acted_at
    before = _side(session, view, view.since_at, min(acted_at or as_of, as_of), as_of)
    after = None if acted_at is None else _side(session, view, acted_at, as_of, as_of)
    return CaseStanding(view, verify(before, after))


def views_of(session: Session, rows: Sequence[Case]) -> list[CaseView]:
    """Cases with their steps and whether they came back. A fixed number of statements."""
    return _came_back(session, _views(session, rows))


def _came_back(session: Session, found: list[CaseView]) -> list[CaseView]:
    """The same cases; of those that ended as held, when a signal of their defect came on again."""
    if not any(one.ended_as == StepKind.HELD.value for one in found):
        return found
    raised = rises_on(session)
    return [
        replace(one, came_back_at=came_back(one.last_end.at, _raised_of(raised, one)))
        if one.last_end is not None and one.ended_as == StepKind.HELD.value
        else one
        for one in found
    ]


def rises_on(session: Session) -> dict[tuple[uuid.UUID, str], list[datetime]]:
    """When each rise was signalled that is on now, by machine and defect."""
    raised: dict[tuple[uuid.UUID, str], list[datetime]] = {}
    for signal in kept_signals(session, directory(session), only_on=True):
        if signal.is_open and signal.kind is Kind.RISE:
            raised.setdefault((signal.machine.id, signal.defect), []).append(signal.raised_at)
    return raised


def _raised_of(
    raised: dict[tuple[uuid.UUID, str], list[datetime]], view: CaseView
) -> list[datetime]:
    return [at for one in view.machine_ids for at in raised.get((one, view.defect), ())]


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


def likely_causes(
    session: Session, about: CaseView, answer: Mapping[str, Any] | None = None
) -> list[LikelyCause]:
    """Causes of a case's defect, by what earlier cases confirmed and where the defect shows.

    Args:
        session: an open session; one statement.
        about: the case.
        answer: the documented answer of `explain`; None: nothing is known.
    """
    named = (
        select(CaseStep.case_id, CaseStep.text)
        .join(Case)
        .join(DefectType)
        .where(
            DefectType.defect == about.defect,
            CaseStep.kind == StepKind.CONFIRMED.value,
            Case.opened_at <= about.opened_at,
            Case.id != about.id,
        )
        .order_by(CaseStep.written_at, CaseStep.id)
    )
    earlier: dict[uuid.UUID, list[str]] = {}
    for case_id, text in session.execute(named):
        earlier.setdefault(case_id, []).append(text)
    known = defect_type(about.defect)
    causes = known.causes if known else ()
    points_to = {one.cause.casefold(): one.points_to for one in causes}
    found = weigh_causes(causes, earlier.values(), about.confirmed)
    return weigh_by_explanation(found, points_to, answer)


def known_span(
    session: Session, view: CaseView, start: datetime, end: datetime, as_of: datetime
) -> tuple[datetime, datetime]:
    """The part of a period in which the counters of a case's machines are known.

    What was found while no counter was read has no strokes beside it.
    """
    known = machine_span(session, view.machine_ids, as_of)
    if known:
        start = max(start, min(span.first_at for span in known.values()))
        end = min(end, max(span.last_at for span in known.values()))
    return start, end


def _side(
    session: Session, view: CaseView, start: datetime, end: datetime, as_of: datetime
) -> Side:
    start, end = known_span(session, view, start, end, as_of)
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
    for step, change in session.execute(
        select(CaseStep, Change.kind)
        .outerjoin(Change, Change.id == CaseStep.change_id)
        .where(CaseStep.case_id.in_([row.id for row in rows]))
        .order_by(CaseStep.written_at, CaseStep.id)
    ):
        told = Step(step.id, step.kind, step.at, step.text, step.by, step.minutes_down, change)
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
