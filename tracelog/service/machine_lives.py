"""Reads of machines between overhauls: when unplanned services came, in strokes."""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from sqlalchemy.orm import Session

from tracelog.instants import EARLIEST
from tracelog.plant.queries import BODYMAKER, directory
from tracelog.service.machine_lives_rules import (
    Gap,
    GapFigures,
    Run,
    RunFigures,
    gap_figures,
    highest_level,
    run_figures,
)
from tracelog.service.queries import ServiceDone, levels, services_done
from tracelog.strokes.queries import Span, machine_span, strokes_between


@dataclass(frozen=True)
class MachineLives:
    """The machines between overhauls.

    Attributes:
        overhaul: name of the service that makes a machine as new; None: there are no levels.
        runs: what the runs say.
        not_begun: machines with no overhaul on record since their first reading, left out there.
        gaps: strokes between unplanned services, whatever lies between them.
    """

    overhaul: str | None
    runs: RunFigures
    not_begun: int
    gaps: GapFigures


def machine_lives(session: Session, as_of: datetime) -> MachineLives:
    """How often bodymakers need unplanned services, by strokes since their last overhaul.

    Strokes before the first overhaul on record are left out: nobody knows how many there were.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.

    Returns:
        The figures of all bodymakers together; a fixed number of statements.
    """
    plant = directory(session)
    spans = machine_span(session, None, as_of)
    level = highest_level(levels(session), BODYMAKER)
    overhaul = level.service if level else None
    done: dict[uuid.UUID, list[ServiceDone]] = defaultdict(list)
    for one in reversed(services_done(session, as_of, plant=plant)):
        known = spans.get(one.machine.id)
        if known is not None and one.done_at >= known.first_at:
            done[one.machine.id].append(one)
    names = {one.id: one.text for one in plant.bodymakers if one.id in spans}
    runs = [part for one in names if overhaul for part in _runs_of(one, done[one], overhaul, as_of)]
    gaps = [part for one in names for part in _gaps_of(one, done[one], as_of)]
    counted = iter(
        strokes_between(session, [span for part in (*runs, *gaps) for span in part.spans], as_of)
    )
    begun = {part.spans[0].machine_id for part in runs}
    return MachineLives(
        overhaul=overhaul,
        runs=run_figures([_run(part, names, [next(counted) for _ in part.spans]) for part in runs]),
        not_begun=len(names) - len(begun),
        gaps=gap_figures([Gap(next(counted), part.failed, part.from_failure) for part in gaps]),
    )


@dataclass(frozen=True)
class _Asked:
    """Spans of one machine whose strokes are asked for, all from one start; the first is whole."""

    spans: tuple[Span, ...]
    failed: bool = False
    from_failure: bool = False


def _runs_of(
    machine_id: uuid.UUID, done: Sequence[ServiceDone], overhaul: str, as_of: datetime
) -> list[_Asked]:
    """From each overhaul to the next, and to each unplanned service within; by time.

    An unplanned overhaul is a failure at the end of its run, and begins the next.
    """
    starts = [one.done_at for one in done if one.service == overhaul]
    found = []
    for start, end in pairwise([*starts, as_of]):
        within = [one.done_at for one in done if one.unplanned and start < one.done_at <= end]
        found.append(_Asked(tuple(Span(machine_id, start, moment) for moment in (end, *within))))
    return found


def _run(part: _Asked, names: dict[uuid.UUID, str], strokes: Sequence[int]) -> Run:
    return Run(names[part.spans[0].machine_id], strokes[0], tuple(strokes[1:]))


def _gaps_of(machine_id: uuid.UUID, done: Sequence[ServiceDone], as_of: datetime) -> list[_Asked]:
    moments = [one.done_at for one in done if one.unplanned]
    edges = [EARLIEST, *moments, as_of]
    return [
        _Asked(
            (Span(machine_id, start, end),),
            failed=place < len(moments),
            from_failure=place > 0,
        )
        for place, (start, end) in enumerate(pairwise(edges))
    ]
