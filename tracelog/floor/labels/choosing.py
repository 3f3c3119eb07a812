"""Which machines or tools get a label, as the form asks, and what the form offers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.facts import whole_number
from tracelog.floor.labels.sheets import Label
from tracelog.language import _
from tracelog.plant.addresses import machine_address, tool_address
from tracelog.plant.queries import Directory, directory
from tracelog.plant.stays import tool_stays
from tracelog.plant.tool_queries import ToolView, tools
from tracelog.reference import tool_types

KINDS = ("machines", "tools")
FIELDS = (
    *("kind", "line", "station", "number", "tool_type", "position", "serial"),
    *("opens", "size", "used"),
)


@dataclass(frozen=True)
class Choices:
    """What the form offers: lines, stations, types and positions of tools of this plant."""

    lines: Sequence[str]
    stations: Sequence[str]
    tool_types: Sequence[str]
    positions: Sequence[str]


def offered_choices(session: Session, now: datetime) -> Choices:
    """What can be chosen. Two statements beside the directory's."""
    known = directory(session)
    fitted = tool_stays(session, now, now, as_of=now)
    return Choices(
        [str(line) for line in sorted(known.lines)],
        sorted({machine.station for machine in known.machines.values()}),
        sorted({one.tool_type for one in tools(session) if one.tool_type}),
        sorted({one.position for one in fitted}),
    )


def chosen_labels(
    session: Session, asked: Mapping[str, str], base: str, now: datetime
) -> list[Label]:
    """The labels that a form asks for. At most two statements beside the directory's.

    Args:
        session: an open session.
        asked: the form's fields; a blank one leaves all.
        base: what addresses begin with, without a slash at its end.
        now: UTC; a tool's line and position are those that it has now.

    Raises:
        TracelogError: a field is wrong, or nothing is like that.
    """
    known = directory(session)
    if asked["kind"] not in KINDS:
        raise TracelogError(_("choose machines or tools"), "kind")
    if asked["opens"] not in ("page", "log"):
        raise TracelogError(_("choose the page or the Log"), "opens")
    line, number = (_number(asked, name) for name in ("line", "number"))
    if line is not None:
        known.line(line)
    if asked["kind"] == "tools":
        found = _tools(session, known, asked, line, now)
        labels = [_tool_label(one, base) for one in found]
    else:
        labels = _machine_labels(known, asked, line, number, base)
    if not labels:
        raise TracelogError(_("nothing of this plant is like that; choose less narrowly"))
    return labels


def _number(asked: Mapping[str, str], name: str) -> int | None:
    try:
        return whole_number(asked[name], 1, 999) if asked[name] else None
    except ValueError as problem:
        raise TracelogError(str(problem), name) from None


def _machine_labels(
    known: Directory, asked: Mapping[str, str], line: int | None, number: int | None, base: str
) -> list[Label]:
    opens = "?log" if asked["opens"] == "log" else ""
    return [
        Label(base + machine_address(one) + opens, one.text, one.name or "", one.line, one.number)
        for _key, one in sorted(known.machines.items())
        if line in (None, one.line)
        and asked["station"] in ("", one.station)
        and number in (None, one.number)
    ]


def _tools(
    session: Session,
    known: Directory,
    asked: Mapping[str, str],
    line: int | None,
    now: datetime,
) -> list[ToolView]:
    serials = {asked["serial"]} if asked["serial"] else None
    if line is not None or asked["position"]:
        fitted = {
            one.serial
            for one in tool_stays(session, now, now, as_of=now)
            if line in (None, known.by_id[one.machine_id].line)
            and asked["position"] in ("", one.position)
        }
        serials = fitted if serials is None else serials & fitted
    found = tools(session, None if serials is None else sorted(serials))
    return [one for one in found if asked["tool_type"] in ("", one.tool_type or "")]


def _tool_label(tool: ToolView, base: str) -> Label:
    names = {one.tool_type: one.name for one in tool_types()}
    kind = tool.tool_type or ""
    return Label(base + tool_address(tool.serial), tool.serial, names.get(kind, kind))
