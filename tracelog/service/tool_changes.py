"""A tool change as people report it: one tool out, another in, or the place left empty."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.errors import Conflict, TracelogError, UnknownReference
from tracelog.facts import known_words
from tracelog.instants import show_instant
from tracelog.language import _
from tracelog.outcomes import Became, Outcome, demand_kept
from tracelog.plant.facts import RemovalReason, ToolFact, ToolFitFact
from tracelog.plant.queries import BODYMAKER, MachineView, directory, the_plant
from tracelog.plant.stays import ToolStay, positions_used, tool_stays
from tracelog.plant.tool_actions import record_tool_fits, record_tools
from tracelog.reference import tool_types
from tracelog.service.facts import ToolChangeFact

_FIELDS = {"bodymaker": "machine", "line": "machine", "fitted_at": "at", "removed_at": "at"}


def accept(outcomes: Iterable[Outcome]) -> None:
    """Raise what an action refused, told at the fields of the form that was sent.

    Raises:
        BadFact: with all faults; a conflict has the status of one.
    """
    demand_kept(outcomes, _FIELDS)


def known_positions(session: Session) -> list[str]:
    """Positions of a bodymaker: those that tools were fitted in, and those of the trade."""
    usual = {one.tool_type for one in tool_types() if one.station == BODYMAKER}
    return sorted(usual | set(positions_used(session)))


def change_tool(session: Session, change: ToolChangeFact, actor: Actor, now: datetime) -> None:
    """Keep that a tool was taken out and which one went in, with the writes of the plant's tools.

    The same change again changes nothing. What is odd enough to be a slip of the hand is refused:
    an unknown position, a new tool without a type, a tool that is still somewhere else.

    Args:
        session: an open session that writes.
        change: the change.
        actor: who reports it.
        now: UTC.

    Raises:
        TracelogError: it contradicts what is on record; told at the form's field.
    """
    zone = the_plant(session).zone
    machine = directory(session).bodymaker(change.line, change.bodymaker)
    _check_position(session, change.position)
    before = [
        stay
        for stay in tool_stays(session, change.at, change.at, machine_ids=[machine.id])
        if stay.position == change.position and stay.fitted_at < change.at
    ]
    if change.serial is None and not before:
        raise TracelogError(
            _("is missing; no tool is in %(place)s to be taken out", place=change.position),
            "serial",
        )
    facts = [_taken_out(change, stay, zone) for stay in before]
    if change.serial is not None:
        _check_place(session, change, machine, change.serial, zone)
        _keep_tool(session, change, change.serial, actor, now)
        facts.append(_fit(change, zone, serial=change.serial, fitted_at=change.at))
    accept(record_tool_fits(session, facts, actor, now))


def _fit(change: ToolChangeFact, zone: ZoneInfo, **more: Any) -> ToolFitFact:
    place = {"line": change.line, "bodymaker": change.bodymaker, "position": change.position}
    return ToolFitFact.read({**place, **more}, zone)


def _taken_out(change: ToolChangeFact, stay: ToolStay, zone: ZoneInfo) -> ToolFitFact:
    # Already out at that very instant: said before, so nothing is added to it.
    usual = None if stay.removed_at == change.at else RemovalReason.UNKNOWN
    return _fit(
        change,
        zone,
        serial=stay.serial,
        fitted_at=stay.fitted_at,
        removed_at=change.at,
        removal_reason=change.removal_reason or usual,
    )


def _check_position(session: Session, position: str) -> None:
    known = known_positions(session)
    if position in known:
        return
    near = get_close_matches(position.lower(), known, n=3)
    raise UnknownReference(
        _(
            "there is no position '%(position)s'; near it: %(known)s",
            position=position[:40],
            known=known_words(near),
        )
        if near
        else _(
            "there is no position '%(position)s'; positions are %(known)s",
            position=position[:40],
            known=known_words(known),
        ),
        "position",
    )


def _check_place(
    session: Session, change: ToolChangeFact, machine: MachineView, serial: str, zone: ZoneInfo
) -> None:
    machines = directory(session).by_id
    for stay in _held(tool_stays(session, change.at, change.at, serials=[serial]), change.at):
        raise Conflict(
            _(
                "tool %(serial)s is in %(machine)s %(position)s since %(moment)s;"
                " record first that it was taken out there",
                serial=serial,
                machine=machines[stay.machine_id].text,
                position=stay.position,
                moment=show_instant(stay.fitted_at, zone),
            )
            if (stay.machine_id, stay.position) != (machine.id, change.position)
            else _(
                "tool %(serial)s is in that position since %(moment)s; give the one that went in",
                serial=serial,
                moment=show_instant(stay.fitted_at, zone),
            ),
            "serial",
        )


def _held(stays: Sequence[ToolStay], moment: datetime) -> Iterable[ToolStay]:
    """Stays that began before an instant and hold the tool beyond it."""
    return (
        stay
        for stay in stays
        if stay.fitted_at < moment and (stay.removed_at is None or stay.removed_at > moment)
    )


def _keep_tool(
    session: Session, change: ToolChangeFact, serial: str, actor: Actor, now: datetime
) -> None:
    tool = ToolFact(serial=serial, tool_type=change.tool_type)
    (outcome,) = record_tools(session, [tool], actor, now)
    accept([outcome])
    if outcome.became is Became.CREATED and change.tool_type is None:
        raise UnknownReference(
            _(
                "there is no tool '%(serial)s' on record; read the serial again, or choose its"
                " type if it is new here",
                serial=serial[:40],
            ),
            "serial",
        )
    if outcome.became is Became.CHANGED:
        raise Conflict(
            _("tool %(serial)s is on record with another type; leave this blank", serial=serial),
            "tool_type",
        )
