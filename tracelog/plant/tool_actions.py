"""Recording tools, where they were fitted, and what was done to them in the tool room."""

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor, take_turn
from tracelog.bulk import rows_with
from tracelog.errors import UnknownReference
from tracelog.facts import write_value
from tracelog.language import _
from tracelog.outcomes import Outcome, conflict
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.facts import ToolFact, ToolFitFact
from tracelog.plant.fit_rules import Fit, Fits
from tracelog.plant.models import Tool, ToolFit, ToolWork
from tracelog.plant.queries import directory
from tracelog.plant.tool_facts import ToolWorkFact, more_than_all

_TOOLS = Keeping(
    table=Tool,
    kind="tools",
    key=("serial",),
    values=("tool_type", "life_strokes", "note"),
    among="serial",
    is_setting=True,
)
_FITS = Keeping(
    table=ToolFit,
    kind="tool fits",
    key=("tool_id", "fitted_at"),
    values=("machine_id", "position", "removed_at", "removal_reason"),
    among="tool_id",
    told_at={"tool_id": "serial", "machine_id": "bodymaker"},
)
_WORKS = Keeping(
    table=ToolWork,
    kind="tool works",
    key=("tool_id", "done_at", "work"),
    values=("strokes_before", "strokes_before_since_work", "size_mm", "note"),
    among="tool_id",
    told_at={"tool_id": "serial"},
)


def record_tools(
    session: Session, facts: Sequence[ToolFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep serialised tools; what is said of a known tool replaces what was said before.

    Args:
        session: an open session that writes.
        facts: the tools.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    rows: list[Values | Outcome] = [
        (fact.serial, fact.tool_type, fact.life_strokes, fact.note) for fact in facts
    ]
    return record_rows(session, _TOOLS, rows, actor, now)


def record_tool_fits(
    session: Session, facts: Sequence[ToolFitFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep where tools were fitted, and complete fits whose removal is known now.

    A tool is in one place at a time, and a place (a position of a machine) holds one tool. A fit
    is certain at its `fitted_at`, and up to its `removed_at` (left out) once that is known; fits
    that are certain at a common instant contradict each other, and the later to arrive is
    refused. A fit without a removal is superseded in silence by a later fit of its tool or in its
    place, because that says that the tool was out by then. See `fit_rules` for why the order of
    arrival does not matter.

    Args:
        session: an open session that writes.
        facts: the fits.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    take_turn(session)
    known = directory(session)
    tools = _tool_ids(session, {fact.serial for fact in facts})

    def row_of(fact: ToolFitFact) -> Values:
        machine = known.bodymaker(fact.line, fact.bodymaker)
        return (
            *(_known_tool(tools, fact.serial), fact.fitted_at),
            *(machine.id, fact.position, fact.removed_at, fact.removal_reason),
        )

    rows = resolved(facts, row_of)
    good = [row for row in rows if not isinstance(row, Outcome)]
    fits = _fits_near(session, {row[0] for row in good}, {row[2] for row in good})
    names = {tool_id: serial for serial, tool_id in tools.items()}
    names |= {
        row.id: row.serial
        for row in rows_with(session, [Tool.id, Tool.serial], Tool.id, fits.tool_ids)
    }
    names |= {machine.id: machine.text for machine in known.machines.values()}

    def against(key: Values, values: Values) -> Outcome | None:
        fit = Fit(key[0], values[0], values[1], key[1], values[2])
        tool_there = fits.same_tool_elsewhere(fit)
        if tool_there is not None:
            return _tool_elsewhere(fit, tool_there, names)
        place_taken = fits.other_tool_in_place(fit)
        if place_taken is not None:
            return _place_taken(fit, place_taken, names[place_taken.tool_id])
        fits.put(fit)
        return None

    return record_rows(session, _FITS, rows, actor, now, names=names, guard=against)


def record_tool_works(
    session: Session, facts: Sequence[ToolWorkFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what was done to tools, and what their cards say of them.

    Work is kept also where the records have the tool in a machine at that instant: its removal
    may be reported later, and the tool's card says what does not go together.

    Args:
        session: an open session that writes.
        facts: the works.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    tools = _tool_ids(session, {fact.serial for fact in facts})

    def row_of(fact: ToolWorkFact) -> Values:
        return (
            *(_known_tool(tools, fact.serial), fact.done_at, fact.work),
            *(fact.strokes_before, fact.strokes_before_since_work, fact.size_mm, fact.note),
        )

    def against(_key: Values, values: Values) -> Outcome | None:
        # What a later row adds to a card must agree with what was known of it.
        sentence = more_than_all(values[0], values[1])
        return None if sentence is None else conflict("strokes_before_since_work", sentence)

    rows = resolved(facts, row_of)
    names = {tool_id: serial for serial, tool_id in tools.items()}
    return record_rows(session, _WORKS, rows, actor, now, names=names, guard=against)


def _known_tool(tools: dict[str, uuid.UUID], serial: str) -> uuid.UUID:
    if serial not in tools:
        raise UnknownReference(
            _("there is no tool '%(serial)s'; enter it among the tools first", serial=serial),
            "serial",
        )
    return tools[serial]


def _tool_ids(session: Session, serials: set[str]) -> dict[str, uuid.UUID]:
    found = rows_with(session, [Tool.serial, Tool.id], Tool.serial, sorted(serials))
    return {row.serial: row.id for row in found}


def _fits_near(session: Session, tools: set[uuid.UUID], machines: set[uuid.UUID]) -> Fits:
    """Every kept fit that a fit of these tools in these machines can contradict."""
    columns = [
        *(ToolFit.tool_id, ToolFit.machine_id, ToolFit.position),
        *(ToolFit.fitted_at, ToolFit.removed_at),
    ]
    fits = Fits()
    for among, ids in ((ToolFit.tool_id, tools), (ToolFit.machine_id, machines)):
        for row in rows_with(session, columns, among, sorted(ids)):
            fits.put(Fit(row.tool_id, row.machine_id, row.position, row.fitted_at, row.removed_at))
    return fits


def _period(fit: Fit) -> str:
    if fit.removed_at is None:
        return _("from %(start)s", start=write_value(fit.fitted_at))
    return _(
        "from %(start)s to %(end)s",
        start=write_value(fit.fitted_at),
        end=write_value(fit.removed_at),
    )


def _told_at(fit: Fit, other: Fit) -> str:
    # The start is to blame where it lies within the other fit, else the end that reaches into it.
    return "fitted_at" if other.holds_at(fit.fitted_at) else "removed_at"


def _tool_elsewhere(fit: Fit, other: Fit, names: dict[uuid.UUID, str]) -> Outcome:
    return conflict(
        _told_at(fit, other),
        _(
            "tool %(serial)s is in %(machine)s %(position)s %(period)s already;"
            " a tool is in one place at a time",
            serial=names[fit.tool_id],
            machine=names[other.machine_id],
            position=other.position,
            period=_period(other),
        ),
    )


def _place_taken(fit: Fit, other: Fit, serial: str) -> Outcome:
    return conflict(
        _told_at(fit, other),
        _(
            "position %(position)s holds tool %(serial)s %(period)s already;"
            " a position holds one tool at a time",
            position=fit.position,
            serial=serial,
            period=_period(other),
        ),
    )
