"""Reads of one reading in question: its stretch, what was decided on it, what is likely."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.queries import MachineView
from tracelog.strokes.models import Reading
from tracelog.strokes.queries import OpenQuestion, open_questions
from tracelog.strokes.question_rules import Figures, LikelyEvent, QuestionKind, likely_event
from tracelog.strokes.questions import JumpQuestion, described_jumps, limits_of, stands_for
from tracelog.strokes.settlements import Settlement, Stretch, history_of, stretches_to
from tracelog.strokes.timelines import accepted_at


@dataclass(frozen=True)
class QuestionPage:
    """One reading of a counter, and all that was decided on it.

    Attributes:
        machine: whose counter.
        read_at: when it was read, UTC.
        strokes: what it showed.
        stretch: the stretch that ends there as it stands; None: nothing comes before.
        question: what is open about it, None if nothing is.
        in_force: the decision that counts, None if none does.
        history: every decision, the latest first.
        last_before: the latest decision on the reading at which the stretch begins.
        event: a counter event that would explain the jump.
    """

    machine: MachineView
    read_at: datetime
    strokes: int
    stretch: Stretch | None
    question: JumpQuestion | None
    in_force: Settlement | None
    history: tuple[Settlement, ...]
    last_before: Settlement | None
    event: LikelyEvent | None

    @property
    def last(self) -> Settlement | None:
        """The latest decision."""
        return self.history[0] if self.history else None

    @property
    def figures(self) -> Figures | None:
        """The two figures of the stretch."""
        return self.stretch.figures if self.stretch else None

    @property
    def has_time(self) -> bool:
        """Whether anything can have happened between the two figures."""
        return self.question is not None and self.question.kind is not QuestionKind.UNLIKE_EVENT


def question_page(
    session: Session, machine: MachineView, read_at: datetime, as_of: datetime
) -> QuestionPage:
    """One reading and what is open about it.

    Args:
        session: an open session.
        machine: whose counter.
        read_at: when it was read, UTC.
        as_of: the present.

    Raises:
        NotFound: the counter was not read then.
    """
    key = (machine.id, read_at)
    columns = (Reading.machine_id, Reading.read_at, (Reading.strokes,))
    read = accepted_at(session, columns, {machine.id: [read_at]})
    if key not in read:
        raise NotFound(
            _("the counter of %(machine)s was not read at that instant", machine=machine.text),
            "to_at",
        )
    stretch = stretches_to(session, [key]).get(key)
    history = tuple(history_of(session, machine.id, read_at))
    last = history[0] if history else None
    asked: list[OpenQuestion] = [
        one for one in open_questions(session, machine.id) if one.to_at == read_at
    ]
    question = next(iter(described_jumps(session, asked, as_of)), None)
    before: tuple[Settlement, ...] = ()
    event = None
    if question is not None and stretch is not None:
        if not stretch.from_event:
            before = tuple(history_of(session, machine.id, question.figures.from_at))
        event = likely_event(question.figures, limits_of(machine), question.per_day)
    return QuestionPage(
        machine,
        read_at,
        read[key][0],
        stretch,
        question,
        last if last is not None and stands_for(last, stretch) else None,
        history,
        before[0] if before else None,
        event,
    )
