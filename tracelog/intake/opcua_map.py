"""The map file of the OPC UA collector: which node of a server is which machine's counter.

No database, no network: what the plant has, and whether the nodes exist, is found out later.
"""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, TypeAlias, TypeVar
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator

from tracelog.errors import BadFact, Fault
from tracelog.facts import Fact, Name, Number, decimal_number, one_of, plain_text
from tracelog.intake.opcua_nodes import NodeAddress, read_node
from tracelog.language import _

# A reading a minute tells all that services and hourly rates need.
EVERY_SECONDS = 60.0
SHORTEST_SECONDS, LONGEST_SECONDS = 0.2, 3600.0
_LONGEST_PATH = 4000
_UTC_ZONE = ZoneInfo("UTC")


class Mode(StrEnum):
    """How values come: the server tells of changes, or is asked again and again."""

    SUBSCRIBE = "subscribe"
    POLL = "poll"


class Clock(StrEnum):
    """Whose clock dates a reading: the source's (the controller), the server's, or ours."""

    SOURCE = "source"
    SERVER = "server"
    ARRIVAL = "arrival"


class Policy(StrEnum):
    """How the channel to the server is secured."""

    NONE = "none"
    BASIC256SHA256 = "Basic256Sha256"


class Protection(StrEnum):
    """What a secured channel does with a message."""

    SIGN = "Sign"
    SIGN_AND_ENCRYPT = "SignAndEncrypt"


@dataclass(frozen=True)
class MappedCounter:
    """The counter of a machine and the node that shows it; `place` names it in the file."""

    line: int
    bodymaker: int
    node: NodeAddress
    place: str = ""


@dataclass(frozen=True)
class Security:
    """How the server is made sure of, and as whom we sign in; None: anonymously.

    `certificate` and `private_key` are ours, `server_certificate` is the one that is trusted.
    """

    certificate: Path
    private_key: Path
    server_certificate: Path
    protection: Protection = Protection.SIGN_AND_ENCRYPT
    user: str | None = None


@dataclass(frozen=True)
class CounterMap:
    """What a map file says; `security` None: the channel is not secured."""

    counters: tuple[MappedCounter, ...] = ()
    mode: Mode = Mode.SUBSCRIBE
    every_seconds: float = EVERY_SECONDS
    clock: Clock = Clock.SOURCE
    security: Security | None = None


_FileName: TypeAlias = Annotated[
    str, BeforeValidator(lambda value: plain_text(value, _LONGEST_PATH))
]
_Seconds: TypeAlias = Annotated[
    float,
    BeforeValidator(lambda value: decimal_number(value, SHORTEST_SECONDS, LONGEST_SECONDS)),
]


class MapHead(Fact):
    """What stands at the top of a map file, and its tables."""

    mode: Annotated[Mode, one_of(Mode)] = Mode.SUBSCRIBE
    every_seconds: _Seconds = EVERY_SECONDS
    time: Annotated[Clock, one_of(Clock)] = Clock.SOURCE
    security: Any = None
    machine: Any = None


class MapMachine(Fact):
    """One table [[machine]]."""

    line: Number
    bodymaker: Number
    node: Annotated[NodeAddress, BeforeValidator(read_node)]


class MapSecurity(Fact):
    """The table [security]."""

    policy: Annotated[Policy, one_of(Policy)] = Policy.NONE
    mode: Annotated[Protection, one_of(Protection)] | None = None
    certificate: _FileName | None = None
    private_key: _FileName | None = None
    server_certificate: _FileName | None = None
    user: Name | None = None


_Read = TypeVar("_Read", bound=Fact)


def read_map(path: Path, needs_counters: bool = True) -> CounterMap:
    """Read a map file.

    Args:
        path: of the TOML file; names of files in it are relative to its folder.
        needs_counters: whether a map without machines is of no use.

    Raises:
        BadFact: with one fault for each thing that is wrong.
    """
    try:
        written = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as problem:
        why = problem.strerror if isinstance(problem, OSError) else problem
        raise BadFact((Fault(str(path), _("cannot be read: %(why)s", why=why)),)) from problem
    faults: list[Fault] = []
    head = _checked(MapHead, written, str(path), faults)
    counters = tuple(_counters(written.get("machine", []), str(path), faults))
    security = _security(written.get("security", {}), path, faults)
    if needs_counters and not counters and not faults:
        faults.append(Fault(str(path), _("names no machine; write a [[machine]] for each")))
    if faults or head is None:
        raise BadFact(tuple(faults))
    return CounterMap(counters, head.mode, head.every_seconds, head.time, security)


def _checked(
    fact: type[_Read], values: Mapping[str, Any], place: str, faults: list[Fault]
) -> _Read | None:
    try:
        return fact.read(values, _UTC_ZONE)
    except BadFact as problem:
        faults += [Fault(f"{place}: {fault.field}", fault.sentence) for fault in problem.faults]
        return None


def _counters(tables: Any, path: str, faults: list[Fault]) -> Iterator[MappedCounter]:
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        faults.append(Fault(f"{path}: machine", _("write each machine under its own [[machine]]")))
        return
    machines: dict[tuple[int, int], str] = {}
    nodes: dict[NodeAddress, str] = {}
    for count, table in enumerate(tables, start=1):
        where = _("machine %(count)d", count=count)
        one = _checked(MapMachine, table, f"{path}: {where}", faults)
        if one is None:
            continue
        named = f"{where} ({one.line}-{one.bodymaker})"
        machine = (one.line, one.bodymaker)
        if machine in machines:
            sentence = _(
                "is the same machine as %(other)s; a machine has one counter, so leave one out",
                other=machines[machine],
            )
            faults.append(Fault(f"{path}: {named}", sentence))
        elif one.node in nodes:
            sentence = _(
                "'%(node)s' is the node of %(other)s too; each machine has a node of its own",
                node=one.node.text,
                other=nodes[one.node],
            )
            faults.append(Fault(f"{path}: {named}: node", sentence))
        machines.setdefault(machine, named)
        nodes.setdefault(one.node, named)
        yield MappedCounter(one.line, one.bodymaker, one.node, f"{path}: {named}")


def _security(table: Any, path: Path, faults: list[Fault]) -> Security | None:
    place = f"{path}: security"
    if not isinstance(table, dict):
        faults.append(Fault(place, _("write it as a table, [security]")))
        return None
    if "password" in table:
        sentence = _("belongs into TRACELOG_OPCUA_PASSWORD and into no map; take it out here")
        faults.append(Fault(f"{place}: password", sentence))
        table = {name: value for name, value in table.items() if name != "password"}
    told = _checked(MapSecurity, table, place, faults)
    if told is None:
        return None
    if told.policy is Policy.NONE:
        faults += [
            Fault(f"{place}: {name}", _('needs policy = "Basic256Sha256"; the policy is none'))
            for name in MapSecurity.columns()[1:]
            if getattr(told, name) is not None
        ]
        return None
    files = [
        _file(name, getattr(told, name), path.parent, place, faults)
        for name in ("certificate", "private_key", "server_certificate")
    ]
    certificate, private_key, server_certificate = files
    if certificate is None or private_key is None or server_certificate is None:
        return None
    protection = told.mode or Protection.SIGN_AND_ENCRYPT
    return Security(certificate, private_key, server_certificate, protection, told.user)


def _file(
    name: str, written: str | None, folder: Path, place: str, faults: list[Fault]
) -> Path | None:
    if written is None:
        sentence = _("is missing; the policy Basic256Sha256 needs the name of a file")
        faults.append(Fault(f"{place}: {name}", sentence))
        return None
    path = folder / Path(written).expanduser()
    if not path.is_file():
        faults.append(Fault(f"{place}: {name}", _("there is no file %(path)s", path=path)))
        return None
    return path
