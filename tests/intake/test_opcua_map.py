"""The map file: what is wrong is named where it stands, in one sentence, and nothing is guessed."""

import re
import uuid
from dataclasses import replace
from pathlib import Path

import pytest
from asyncua import ua
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support import tree
from tracelog.errors import BadFact
from tracelog.intake.opcua_map import (
    Clock,
    CounterMap,
    MapHead,
    MapMachine,
    MappedCounter,
    MapSecurity,
    Mode,
    Protection,
    Security,
    read_map,
)
from tracelog.intake.opcua_nodes import NodeAddress, read_node

MACHINE = '[[machine]]\nline = 3\nbodymaker = 7\nnode = "ns=2;s=Line 3.BM 7"\n'
one_folder = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


def write(folder: Path, text: str) -> Path:
    path = folder / "counters.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[str]:
    path = write(folder, text)
    with pytest.raises(BadFact) as raised:
        read_map(path)
    told = [str(fault) for fault in raised.value.faults]
    assert all(line.startswith(f"{path}: ") for line in told)
    return [line.removeprefix(f"{path}: ") for line in told]


def test_a_map_needs_little(tmp_path: Path) -> None:
    node = NodeAddress(2, "Line 3.BM 7")
    path = write(tmp_path, MACHINE)
    counter = MappedCounter(3, 7, node, f"{path}: machine 1 (3-7)")
    assert read_map(path) == CounterMap((counter,), Mode.SUBSCRIBE, 60.0, Clock.SOURCE, None)


def test_a_map_says_how(tmp_path: Path) -> None:
    for name in ("own.pem", "own-key.pem", "server.der"):
        (tmp_path / name).touch()
    head = """
mode = "poll"
every_seconds = 5
time = "server"
[security]
policy = "Basic256Sha256"
mode = "Sign"
certificate = "own.pem"
private_key = "own-key.pem"
server_certificate = "server.der"
user = "collector"
"""
    read = read_map(write(tmp_path, head + MACHINE))
    assert (read.mode, read.every_seconds, read.clock) == (Mode.POLL, 5.0, Clock.SERVER)
    assert read.security == Security(
        tmp_path / "own.pem",
        tmp_path / "own-key.pem",
        tmp_path / "server.der",
        Protection.SIGN,
        "collector",
    )


def test_the_map_in_the_guide_is_one_and_shows_every_key(tmp_path: Path) -> None:
    guide = (tree.ROOT / "docs/collecting.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"```toml\n(.*?)```", guide, flags=re.DOTALL)
    for name in ("collector.pem", "collector-key.pem", "server.der"):
        (tmp_path / name).touch()
    read = read_map(write(tmp_path, shown))
    assert replace(read, counters=(), security=None) == CounterMap()
    assert [counter.node.text for counter in read.counters] == [
        "ns=2;s=Line3.BM07.Strokes",
        "nsu=urn:alder-point:plc;i=1008",
    ]
    assert read.security is not None
    assert read.security.protection is Protection.SIGN_AND_ENCRYPT
    for key in (*MapHead.columns(), *MapMachine.columns(), *MapSecurity.columns()):
        assert re.search(rf"^\[*{key}\b", shown, flags=re.MULTILINE), key


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["names no machine; write a [[machine]] for each"]),
        ("mode = ", ["cannot be read: "]),
        ('mode = "push"\n' + MACHINE, ["mode: 'push' is not one of: subscribe, poll"]),
        ("every = 3\n" + MACHINE, ["every: 'every' is not known here; known are mode, "]),
        ("every_seconds = 0.1\n" + MACHINE, ["every_seconds: '0.1' is out of range; "]),
        ("every_seconds = true\n" + MACHINE, ["every_seconds: 'True' is not a number; "]),
        ('time = "mine"\n' + MACHINE, ["time: 'mine' is not one of: source, server, arrival"]),
        ("machine = 3", ["machine: write each machine under its own [[machine]]"]),
        ("[machine]\nline = 3", ["machine: write each machine under its own [[machine]]"]),
        ("security = 1\n" + MACHINE, ["security: write it as a table, [security]"]),
        (
            "[[machine]]\nline = 0\nstation = 'necker'",
            [
                "machine 1: line: '0' is out of range; it must be from 1 to 999",
                "machine 1: bodymaker: is missing; a value is needed",
                "machine 1: node: is missing; a value is needed",
                "machine 1: station: 'station' is not known here; known are line, bodymaker, node",
            ],
        ),
        (
            MACHINE + MACHINE.replace("BM 7", "BM 8"),
            ["machine 2 (3-7): is the same machine as machine 1 (3-7); a machine has one counter"],
        ),
        (
            MACHINE + MACHINE.replace("7\nnode", "8\nnode").replace("ns=2", "ns=02"),
            ["machine 2 (3-8): node: 'ns=2;s=Line 3.BM 7' is the node of machine 1 (3-7) too"],
        ),
        (
            MACHINE + '[security]\npassword = "x"\nuser = "robin"',
            [
                "security: password: belongs into TRACELOG_OPCUA_PASSWORD and into no map",
                'security: user: needs policy = "Basic256Sha256"; the policy is none',
            ],
        ),
        (
            MACHINE + '[security]\npolicy = "Basic256Sha256"\ncertificate = "none.pem"',
            [
                "security: certificate: there is no file ",
                "security: private_key: is missing; the policy Basic256Sha256 needs the name of a",
                "security: server_certificate: is missing; ",
            ],
        ),
        (MACHINE + '[security]\npolicy = "Basic128"', ["security: policy: 'Basic128' is not one"]),
    ],
)
def test_each_slip_is_told_once_and_where_it_is(tmp_path: Path, text: str, told: list[str]) -> None:
    found = faults(tmp_path, text)
    assert len(found) == len(told), found
    for line, expected in zip(found, told, strict=True):
        assert line.startswith(expected)
        assert "\n" not in line


def test_a_map_that_is_not_there_or_no_text_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadFact, match="cannot be read: No such file"):
        read_map(tmp_path / "none.toml")
    path = tmp_path / "counters.toml"
    path.write_bytes(b"mode = '\xff'")
    with pytest.raises(BadFact, match="cannot be read"):
        read_map(path)


def test_a_map_for_a_list_needs_no_machines(tmp_path: Path) -> None:
    assert read_map(write(tmp_path, ""), needs_counters=False) == CounterMap()


names = st.text("abcdefghij_", min_size=1, max_size=12)


@one_folder
@given(key=names, place=st.sampled_from(["", "[security]", MACHINE]))
def test_no_unknown_key_is_passed_over(tmp_path: Path, key: str, place: str) -> None:
    known = {"mode", "line", "node", "time", "user", "key"}
    if key in known:
        return
    text = f"{place}\n{key} = 1\n" if place else f"{key} = 1\n{MACHINE}"
    assert any(f"'{key}' is not known here" in line for line in faults(tmp_path, text))


numbers = st.lists(st.integers(1, 9), min_size=1, max_size=12)


@one_folder
@given(machines=numbers, data=st.data())
def test_every_repeated_machine_or_node_is_told(
    tmp_path: Path, machines: list[int], data: st.DataObject
) -> None:
    size = len(machines)
    nodes = data.draw(st.lists(st.integers(1, 9), min_size=size, max_size=size))
    tables = [
        f'[[machine]]\nline = 1\nbodymaker = {machine}\nnode = "ns=2;i={node}"\n'
        for machine, node in zip(machines, nodes, strict=True)
    ]
    repeated = [
        place
        for place in range(size)
        if machines[place] in machines[:place] or nodes[place] in nodes[:place]
    ]
    if not repeated:
        assert len(read_map(write(tmp_path, "\n".join(tables))).counters) == size
        return
    told = faults(tmp_path, "\n".join(tables))
    assert [line.split(" (")[0] for line in told] == [f"machine {place + 1}" for place in repeated]


identifiers = st.one_of(
    st.integers(0, 2**32 - 1),
    st.text(
        st.characters(exclude_categories=["C", "Z"], include_characters=" "),
        min_size=1,
        max_size=30,
    ),
    st.uuids(),
    st.binary(min_size=1, max_size=20),
)
spaces = st.integers(0, 65535)


@given(space=spaces, identifier=identifiers)
def test_the_text_of_a_node_reads_back_and_means_what_the_library_means(
    space: int, identifier: int | str | uuid.UUID | bytes
) -> None:
    address = NodeAddress(space, identifier)
    assert read_node(address.text) == address
    assert ua.NodeId.from_string(address.text) == ua.NodeId(identifier, space)


@given(identifier=identifiers)
def test_a_namespace_may_be_named(identifier: int | str | uuid.UUID | bytes) -> None:
    address = NodeAddress("urn:alder-point:plc=1", identifier)
    assert read_node(address.text) == address


@pytest.mark.parametrize(
    "text",
    [
        *("", "7", "ns=2", "ns=2;", "ns=2;s=", "ns=2,s=a", "ns=-1;s=a", "ns=65536;i=1", "ns=x;i=1"),
        *("i=4294967296", "i=-1", "i=1.0", "i=٣", "g=12", "b=*", "x=1", "s=a\nb", "nsu=;i=1"),
        "s=" + "a" * 4096,
    ],
)
def test_what_is_no_node_id_is_told(text: str) -> None:
    with pytest.raises(ValueError, match="is not a node id; write it such as ns=2;s="):
        read_node(text)


@pytest.mark.parametrize("value", [7, True, None, 1.5, ["ns=2;s=a"]])
def test_a_node_id_is_text(value: object) -> None:
    with pytest.raises(ValueError, match="is not a node id"):
        read_node(value)
