"""The short addresses on printed labels: ``/m/3-7`` of a machine, ``/t/R3-0412`` of a tool.

A bodymaker goes by its dome code, every other machine with its station between the numbers:
``/m/3-necker-1``. Pure: text in, values out.
"""

import re
from dataclasses import dataclass
from urllib.parse import quote, unquote

from tracelog.plant.queries import BODYMAKER, MachineView

_ADDRESS = re.compile(
    r"(?:https?://[^/\s?#]+)?(?:/[^/\s?#]+)*?/([mt])/([^/\s?#]+)(?:[?#]\S*)?", re.IGNORECASE
)
_MACHINE = re.compile(r"([0-9]{1,3})-(?:(.+)-)?([0-9]{1,3})", re.ASCII)


@dataclass(frozen=True)
class MachineLabel:
    """What the address of a machine names; the plant may have no such machine."""

    line: int
    station: str
    number: int


@dataclass(frozen=True)
class ToolLabel:
    """What the address of a tool names; the plant may have no such tool."""

    serial: str


def machine_address(machine: MachineView) -> str:
    """The short address of a machine, on this site.

    Example: ``/m/3-7`` for bodymaker 7 of line 3, ``/m/3-necker-1`` for its necker 1.
    """
    if machine.station == BODYMAKER:
        return f"/m/{machine.line}-{machine.number}"
    return f"/m/{machine.line}-{quote(machine.station, safe='')}-{machine.number}"


def tool_address(serial: str) -> str:
    """The short address of a tool, on this site."""
    return f"/t/{quote(serial, safe='')}"


def read_machine_part(text: str) -> MachineLabel | None:
    """What follows ``/m/``; None: it names no machine.

    Example:
        >>> read_machine_part("3-7")
        MachineLabel(line=3, station='bodymaker', number=7)
    """
    found = _MACHINE.fullmatch(text)
    if found is None:
        return None
    return MachineLabel(int(found[1]), found[2] or BODYMAKER, int(found[3]))


def read_address(text: str) -> MachineLabel | ToolLabel | None:
    """What a label's address names, whatever site it was printed for; None: it is no such address.

    Example:
        >>> read_address("https://log.example/m/3-7?log")
        MachineLabel(line=3, station='bodymaker', number=7)
    """
    found = _ADDRESS.fullmatch(text.strip())
    if found is None:
        return None
    part = unquote(found[2])
    return ToolLabel(part) if found[1] in "tT" else read_machine_part(part)
