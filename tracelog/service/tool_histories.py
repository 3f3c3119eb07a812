"""Every tool's history as counted strokes: its stays, its works, and what it has made."""

import uuid
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import pairwise

from sqlalchemy.orm import Session

from tracelog.instants import EARLIEST
from tracelog.plant.stays import ToolStay, tool_stays
from tracelog.plant.tool_queries import MOST_NAMED, ToolView, ToolWorkDone, tools, works_done
from tracelog.service.rules import share_used
from tracelog.service.tool_rules import UNKNOWN, Count, Stretch, Work, count, cuts
from tracelog.strokes.queries import (
    MachineSpan,
    OpenQuestion,
    Span,
    machine_span,
    open_questions,
    strokes_between,
)


class ToolState(StrEnum):
    """Where a tool is."""

    IN_USE = "in-use"
    TOOL_ROOM = "tool-room"
    SCRAPPED = "scrapped"


@dataclass(frozen=True)
class StayStrokes:
    """A stay of a tool and what it made in it; not `exact`: at least."""

    stay: ToolStay
    strokes: int
    exact: bool


@dataclass(frozen=True)
class ToolHistory:
    """A tool at an instant: where it was, what was done to it, what it has made."""

    tool: ToolView
    stays: tuple[StayStrokes, ...]
    works: tuple[ToolWorkDone, ...]
    count: Count

    @property
    def present(self) -> StayStrokes | None:
        """The stay that it is in; None: it is in no machine."""
        return next((one for one in reversed(self.stays) if one.stay.removed_at is None), None)

    @property
    def state(self) -> ToolState:
        """Where it is, as far as the records go."""
        if self.present is not None:
            return ToolState.IN_USE
        scrapped_at = self.count.scrapped_at
        is_scrap = scrapped_at is not None and all(
            one.stay.fitted_at <= scrapped_at for one in self.stays
        )
        return ToolState.SCRAPPED if is_scrap else ToolState.TOOL_ROOM

    @property
    def share(self) -> float | None:
        """Share of the expected life between works that is used up; None: no life is entered."""
        return share_used(self.count.since_work, self.tool.life_strokes)


@dataclass(frozen=True)
class _Counters:
    """What is known of the counters: their first and last readings, and what is open."""

    spans: Mapping[uuid.UUID, MachineSpan]
    questions: Mapping[uuid.UUID, Sequence[OpenQuestion]]

    def complete(self, machine_id: uuid.UUID, start: datetime, end: datetime | None) -> bool:
        """Whether nothing after the first reading is missing from a count of [start, end]."""
        span = self.spans.get(machine_id)
        if span is None or (end is not None and end > span.last_at):
            return False
        return not any(
            one.to_at > start and (end is None or one.from_at < end)
            for one in self.questions.get(machine_id, ())
        )


def tool_histories(
    session: Session,
    until: datetime,
    serials: Sequence[str] | None = None,
    known_at: datetime | None = None,
) -> dict[str, ToolHistory]:
    """Histories of tools up to an instant.

    Args:
        session: an open session.
        until: UTC; what was fitted, done and counted by then.
        serials: which tools; None: all. Serials that are not on record are left out.
        known_at: use what was known by then, for looking back from later; None: `until`.

    Returns:
        By serial, in order of it. A fixed number of statements.
    """
    known_at = known_at or until
    named = None if serials is None or len(serials) > MOST_NAMED else sorted(set(serials))
    stays: dict[str, list[ToolStay]] = defaultdict(list)
    for stay in tool_stays(session, EARLIEST, until, serials=named, as_of=known_at):
        stays[stay.serial].append(_as_then(stay, until))
    works: dict[str, list[ToolWorkDone]] = defaultdict(list)
    for work in works_done(session, until, named):
        works[work.serial].append(work)
    wanted = None if serials is None else frozenset(serials)
    chosen = [one for one in tools(session, named) if wanted is None or one.serial in wanted]
    stretches = _stretches(
        session,
        {one.serial: stays.get(one.serial, []) for one in chosen},
        {one.serial: works.get(one.serial, []) for one in chosen},
        (until, known_at),
    )
    return {
        one.serial: _history(
            one, stays.get(one.serial, []), works.get(one.serial, []), stretches[one.serial]
        )
        for one in chosen
    }


def _as_then(stay: ToolStay, until: datetime) -> ToolStay:
    if stay.removed_at is None or stay.removed_at <= until:
        return stay
    return ToolStay(
        *(stay.serial, stay.tool_type, stay.life_strokes, stay.machine_id, stay.position),
        *(stay.fitted_at, None, None),
    )


def _stretches(
    session: Session,
    stays: Mapping[str, Sequence[ToolStay]],
    works: Mapping[str, Sequence[ToolWorkDone]],
    moments: tuple[datetime, datetime],
) -> dict[str, list[Stretch]]:
    """The stays of each tool, cut where a count begins anew, with their strokes."""
    until, known_at = moments
    parts: list[tuple[ToolStay, datetime, datetime | None]] = []
    for serial, own in stays.items():
        done = [as_work(one) for one in works[serial]]
        for stay in own:
            edges = [stay.fitted_at, *cuts(done, stay.fitted_at, stay.removed_at or until)]
            parts += [(stay, start, end) for start, end in pairwise(edges)]
            parts.append((stay, edges[-1], stay.removed_at))
    spans = [Span(stay.machine_id, start, end or until) for stay, start, end in parts]
    counters = _counters(session, {span.machine_id for span in spans}, known_at)
    found: dict[str, list[Stretch]] = {serial: [] for serial in stays}
    for (stay, start, end), strokes in zip(
        parts, strokes_between(session, spans, known_at), strict=True
    ):
        span = counters.spans.get(stay.machine_id)
        found[stay.serial].append(
            Stretch(
                machine_id=stay.machine_id,
                position=stay.position,
                started_at=start,
                ended_at=end,
                strokes=strokes,
                counted_from=span.first_at if span else None,
                complete=counters.complete(stay.machine_id, start, end),
                removed_for=None
                if end is None or end != stay.removed_at
                else stay.removal_reason or UNKNOWN,
            )
        )
    return found


def _counters(
    session: Session, machine_ids: Collection[uuid.UUID], known_at: datetime
) -> _Counters:
    questions: dict[uuid.UUID, list[OpenQuestion]] = defaultdict(list)
    for question in open_questions(session, None, known_at):
        questions[question.machine_id].append(question)
    return _Counters(machine_span(session, machine_ids, known_at), questions)


def _history(
    tool: ToolView,
    stays: Sequence[ToolStay],
    works: Sequence[ToolWorkDone],
    stretches: Sequence[Stretch],
) -> ToolHistory:
    starts = [stay.fitted_at for stay in stays]
    within: dict[int, list[Stretch]] = defaultdict(list)
    for stretch in stretches:
        within[bisect_right(starts, stretch.started_at) - 1].append(stretch)
    return ToolHistory(
        tool,
        tuple(
            StayStrokes(
                stay,
                sum(part.strokes for part in within[place]),
                all(part.exact for part in within[place]),
            )
            for place, stay in enumerate(stays)
        ),
        tuple(works),
        count(stretches, [as_work(one) for one in works]),
    )


def as_work(done: ToolWorkDone) -> Work:
    """A work as the rules see it."""
    return Work(done.done_at, done.work, done.strokes_before, done.strokes_before_since_work)
