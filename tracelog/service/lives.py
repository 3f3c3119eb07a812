"""Reads of tool lives: what each type of tool, and each position, has lived, and what follows."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.errors import UnknownReference
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.plant.stays import ToolStay, tool_stays
from tracelog.plant.tool_queries import tools
from tracelog.service.forecasts import uses
from tracelog.service.lives_rules import (
    Life,
    LifeFigures,
    Replacing,
    costs_of,
    decide,
    figures_of,
    interval_today,
    judged,
)
from tracelog.service.models import ReplacementCost
from tracelog.service.rules import DailyUse
from tracelog.service.tool_cycles import ToolCycle, tool_cycles


@dataclass(frozen=True)
class CostEntered:
    """What somebody entered about replacing tools of one type; None: not entered."""

    tool_type: str
    planned_cost: float | None = None
    unplanned_cost: float | None = None
    interval_strokes: int | None = None
    note: str | None = None


@dataclass(frozen=True)
class ToolLives:
    """The lives of one type of tool, of all positions or of one.

    Attributes:
        tool_type: which.
        position: only those last in it; None: all.
        positions: every position in which tools of the type ended or are, with its removals.
        lives: by serial and number.
        figures: what they say together.
        replacing: whether to replace by age.
        entered: the costs as entered.
    """

    tool_type: str
    position: str | None
    positions: Mapping[str, int]
    lives: tuple[Life, ...]
    figures: LifeFigures
    replacing: Replacing
    entered: CostEntered


def replacement_costs(session: Session) -> dict[str, CostEntered]:
    """What was entered about replacing tools, by tool type. One statement."""
    rows = session.execute(select(ReplacementCost).order_by(ReplacementCost.tool_type)).scalars()
    return {
        row.tool_type: CostEntered(
            *(row.tool_type, row.planned_cost, row.unplanned_cost),
            *(row.interval_strokes, row.note),
        )
        for row in rows
    }


def lives_on_record(session: Session, as_of: datetime) -> list[Life]:
    """Every life of every tool that was ever fitted, by serial and number.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.

    Returns:
        The lives, each with what it says; a fixed number of statements.
    """
    machines = directory(session).by_id
    return [_life(cycle, machines[cycle.machine_id].text) for cycle in tool_cycles(session, as_of)]


def _life(cycle: ToolCycle, machine: str) -> Life:
    counted_as, why = judged(
        *(cycle.entry_strokes, cycle.strokes, cycle.ended, cycle.end_reason, cycle.exact)
    )
    return Life(
        *(cycle.serial, cycle.number, cycle.tool_type, cycle.position, machine),
        *(cycle.started_at, cycle.ended_at, cycle.entry_strokes, cycle.strokes),
        *(counted_as, why),
    )


def untyped(lives: Sequence[Life]) -> int:
    """How many lives are of tools whose type nobody entered, so that they count nowhere."""
    return sum(one.tool_type is None for one in lives)


def lives_by_type(session: Session, as_of: datetime) -> tuple[list[ToolLives], int]:
    """The lives of every type of tool, over all positions, by type.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then. Costs are those entered now.

    Returns:
        One for each type, and how many lives are of tools without a type; a fixed number of
        statements.
    """
    lives = lives_on_record(session, as_of)
    present = _Present(session, as_of)
    kinds: dict[str, list[Life]] = defaultdict(list)
    for one in lives:
        if one.tool_type is not None:
            kinds[one.tool_type].append(one)
    return [_of(kind, None, kinds[kind], present) for kind in sorted(kinds)], untyped(lives)


def lives_of(
    session: Session, as_of: datetime, tool_type: str, position: str | None = None
) -> ToolLives:
    """The lives of one type of tool, of all positions or of one.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then. Costs are those entered now.
        tool_type: which.
        position: only lives that were last in it.

    Raises:
        UnknownReference: no tool of that type was ever fitted, or none in that position.
    """
    known = lives_on_record(session, as_of)
    lives = [one for one in known if one.tool_type == tool_type]
    if not lives:
        types = sorted({one.tool_type for one in known if one.tool_type is not None})
        raise UnknownReference(
            _(
                "no tool of type '%(type)s' was ever fitted; types are %(known)s",
                type=tool_type[:40],
                known=known_words(types) or _("none yet"),
            ),
            "tool_type",
        )
    if position is not None and all(one.position != position for one in lives):
        raise UnknownReference(
            _(
                "no %(type)s was in position '%(position)s'; positions are %(known)s",
                type=tool_type,
                position=position[:40],
                known=known_words(sorted({one.position for one in lives})),
            ),
            "position",
        )
    return _of(tool_type, position, lives, _Present(session, as_of))


class _Present:
    """What holds at the instant beside the lives: costs, expected lives, who makes strokes."""

    def __init__(self, session: Session, as_of: datetime) -> None:
        self.costs = replacement_costs(session)
        self.expected: dict[str, list[int]] = defaultdict(list)
        for tool in tools(session):
            if tool.tool_type is not None and tool.life_strokes is not None:
                self.expected[tool.tool_type].append(tool.life_strokes)
        self._fitted: list[ToolStay] = [
            stay
            for stay in tool_stays(session, as_of, as_of, as_of=as_of)
            if stay.removed_at is None
        ]
        self._use = uses(session, as_of)

    def strokes_a_day(self, tool_type: str, position: str | None) -> float:
        """Strokes that all tools of a kind make in a day, at the present use of their machines."""
        none = DailyUse(0, 0, 0)
        return sum(
            self._use.get(stay.machine_id, none).mean
            for stay in self._fitted
            if stay.tool_type == tool_type and position in (None, stay.position)
        )


def _of(
    tool_type: str, position: str | None, all_lives: Sequence[Life], present: _Present
) -> ToolLives:
    positions = dict.fromkeys(sorted({one.position for one in all_lives}), 0)
    for one in all_lives:
        positions[one.position] += one.ended_at is not None
    lives = tuple(one for one in all_lives if position in (None, one.position))
    figures = figures_of(lives)
    entered = present.costs.get(tool_type, CostEntered(tool_type))
    return ToolLives(
        tool_type=tool_type,
        position=position,
        positions=positions,
        lives=lives,
        figures=figures,
        replacing=decide(
            figures,
            costs_of(entered.planned_cost, entered.unplanned_cost),
            interval_today(entered.interval_strokes, present.expected[tool_type]),
            present.strokes_a_day(tool_type, position),
        ),
        entered=entered,
    )
