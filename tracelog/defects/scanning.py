"""What a scanned text fills in on the Log: a machine, a pallet, a coil, or where it was found.

A scanner types like a keyboard, so that the text may be anything that bears a code: a label of
ours, a dome code, a pallet tag, the tag of a coil, the serial of a tool. It never logs by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.instants import EARLIEST
from tracelog.language import _
from tracelog.plant.addresses import MachineLabel, ToolLabel, read_address
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import BODYMAKER, Directory, MachineView
from tracelog.plant.stays import coil_stays, pallet_named, tool_stays

LONGEST_SCAN = 200


@dataclass(frozen=True)
class Scan:
    """Fields of the pad that a scan fills in, and one sentence that says so."""

    fields: Mapping[str, str]
    sentence: str


def read_scan(session: Session, text: str, known: Directory, now: datetime) -> Scan:
    """Find what a scanned text stands for on this plant. At most three statements.

    Args:
        session: an open session.
        text: as the scanner gave it.
        known: machines and dome codes.
        now: UTC; a tool is looked for where it is now.

    Raises:
        TracelogError: nothing of this plant bears it, or the tool is in no machine; at the field
            ``typed``.
    """
    plain = text.strip()
    label = read_address(plain)
    if isinstance(label, MachineLabel):
        return _of_machine(_machine(known, label), known, now)
    if isinstance(label, ToolLabel):
        return _of_tool(session, label.serial, known, now) or _loose(label.serial)
    if 0 < len(plain) <= LONGEST_SCAN:
        found = (
            _of_code(plain, known, now)
            or _of_goods(session, plain, now)
            or _of_tool(session, plain, known, now)
        )
        if found is not None:
            return found
    raise TracelogError(
        _(
            "'%(text)s' is no machine, dome code, pallet, coil or fitted tool of this plant; scan"
            " another label, or type what the can says",
            text=plain[:60],
        ),
        "typed",
    )


def typed_with_codes(session: Session, text: str, known: Directory, now: datetime) -> str:
    """A typed line whose first word may be the address of a label, with what it stands for instead.

    Arguments and errors as `read_scan`; text that begins otherwise comes back as it is.
    """
    first, *rest = text.strip().split(maxsplit=1)[:2] or [""]
    if not rest or read_address(first) is None:
        return text
    fields = read_scan(session, first, known, now).fields
    if "number" in fields:
        return f"{fields['line']}-{fields['number']} {rest[0]}"
    return f"{rest[0].partition('#')[0]} @{fields['found_at']} #{rest[0].partition('#')[2]}"


def _machine(known: Directory, label: MachineLabel) -> MachineView:
    try:
        return known.machine(label.line, label.station, label.number)
    except TracelogError as problem:
        raise TracelogError(problem.sentence, "typed") from None


def _of_machine(machine: MachineView, known: Directory, now: datetime, told: str = "") -> Scan:
    if machine.station != BODYMAKER:
        sentence = told or _("Scanned: found at %(station)s.", station=machine.station)
        return Scan({"found_at": machine.station}, sentence)
    # What its cans bear now, which a doming tool of another machine may have changed.
    code = known.code_borne(machine, now)
    sentence = told or _("Scanned: machine %(machine)s.", machine=machine.text)
    return Scan({"line": code.line, "number": code.number}, sentence)


def _of_code(text: str, known: Directory, now: datetime) -> Scan | None:
    try:
        code = parse_dome_code(text)
    except ValueError:
        return None
    if not code.is_complete or not known.candidates(code, now):
        return None
    told = _("Scanned: dome code %(code)s.", code=code)
    return Scan({"line": code.line, "number": code.number}, told)


def _of_goods(session: Session, text: str, now: datetime) -> Scan | None:
    if pallet_named(session, text):
        return Scan({"pallet": text}, _("Scanned: pallet %(pallet)s.", pallet=text))
    if coil_stays(session, EARLIEST, now, coil=text):
        return Scan({"coil": text}, _("Scanned: coil %(coil)s.", coil=text))
    return None


def _of_tool(session: Session, serial: str, known: Directory, now: datetime) -> Scan | None:
    stays = tool_stays(session, now, now, serials=[serial], as_of=now)
    inside = [known.by_id[one.machine_id] for one in stays if one.removed_at is None]
    if not inside:
        return None
    told = _(
        "Scanned: tool %(serial)s, now in %(machine)s.", serial=serial, machine=inside[-1].text
    )
    return _of_machine(inside[-1], known, now, told)


def _loose(serial: str) -> Scan:
    raise TracelogError(
        _("tool %(serial)s is in no machine now; tap line and bodymaker", serial=serial[:60]),
        "typed",
    )
