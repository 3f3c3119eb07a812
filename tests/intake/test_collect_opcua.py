"""A server's counters become readings: followed or asked, few and exact, and never written to."""

import json
import signal
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, ua
from sqlalchemy import Engine

from tests.intake.collecting import rejected, until
from tests.intake.conftest import Run
from tests.intake.following import (
    EVERY_SECONDS,
    check_total,
    figures,
    following,
    jumps,
    mapped,
    node,
    until_shown,
    write_map,
)
from tests.support.command import Command
from tests.support.opcua_server import NAMESPACE, OpcuaServer
from tracelog.errors import BadFact
from tracelog.intake.arrivals import AHEAD_AT_MOST
from tracelog.intake.opcua_map import Clock, Mode
from tracelog.intake.opcua_security import ServerRefused
from tracelog.intake.own_loop import run_apart

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the server of the tests forks")
on_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def server() -> Iterator[OpcuaServer]:
    server = OpcuaServer({"c1": 1000, "c2": 5, "c3": 12.0})
    yield server
    server.close()
    assert not server.writes


@pytest.mark.parametrize("mode", list(Mode))
def test_strokes_told_by_few_readings_are_those_made(
    plant: Engine, server: OpcuaServer, mode: Mode
) -> None:
    began = datetime.now(UTC)
    with following(plant, server.url, mapped({1: node(1), 2: node(2)}, mode=mode)) as running:
        until(lambda: figures(plant, 2))
        server.count("c1", every=0.002)
        until(lambda: len(figures(plant, 1)) >= 5)
        server.halt("c1")
        last = server.look()["shown"]["c1"]
        until_shown(plant, 1, last)
        counts = running.stop()
    assert check_total(plant, server, 1) == last - 1000
    assert last - 1000 > 3 * len(figures(plant, 1))
    # One for each interval and machine, and one more at the start.
    intervals = (datetime.now(UTC) - began).total_seconds() / EVERY_SECONDS
    assert len(figures(plant, 1)) <= intervals + 2
    assert counts["kept"] == len(figures(plant, 1)) + len(figures(plant, 2))
    assert counts["rejected"] == 0


@on_sqlite
@pytest.mark.parametrize("mode", list(Mode))
def test_a_counter_that_stands_is_known_to_stand(
    plant: Engine, server: OpcuaServer, mode: Mode
) -> None:
    with following(plant, server.url, mapped({1: node(1)}, mode=mode)) as running:
        until(lambda: len(figures(plant, 1)) >= 3)
        server.show("c1", 1001, made=1)
        until_shown(plant, 1, 1001)
        seen = len(figures(plant, 1))
        until(lambda: len(figures(plant, 1)) >= seen + 2)
        running.stop()
    check_total(plant, server, 1)
    told = figures(plant, 1)
    assert {strokes for _at, strokes in told} == {1000, 1001}
    steps = [later[0] - earlier[0] for earlier, later in pairwise(told)]
    # On a busy machine an interval may be a late one, but not one of many.
    assert max(steps) < timedelta(seconds=EVERY_SECONDS * 10)


def test_a_reset_is_seen_from_both_sides(plant: Engine, server: OpcuaServer) -> None:
    with following(plant, server.url, mapped({1: node(1)})) as running:
        until(lambda: figures(plant, 1))
        server.count("c1", every=0.04)
        until(lambda: len(figures(plant, 1)) >= 3)
        before = server.look()["shown"]["c1"]
        server.show("c1", 0)
        until(lambda: any(strokes < 1000 for _at, strokes in figures(plant, 1)))
        server.halt("c1")
        until_shown(plant, 1, server.look()["shown"]["c1"])
        running.stop()
    made = check_total(plant, server, 1)
    ((high, low),) = jumps(plant)
    assert before <= high <= before + 2
    assert low <= 1
    assert made == (high - 1000) + server.look()["shown"]["c1"]


@on_sqlite
def test_what_is_no_figure_is_rejected_with_the_reason_and_the_others_go_on(
    plant: Engine, server: OpcuaServer
) -> None:
    counters = mapped({1: node(1), 2: node(2), 3: node(3)})
    bad: list[tuple[str, Any, dict[str, Any], str]] = [
        ("c2", 6, {"status": "BadSensorFailure"}, "does not vouch for the value: BadSensorFailure"),
        ("c2", 7, {"status": "UncertainLastUsableValue"}, "UncertainLastUsableValue"),
        ("c2", -5, {}, "'-5' is out of range"),
        ("c2", 10**16, {}, "is out of range"),
        ("c2", 8, {"source": AHEAD_AT_MOST.total_seconds() + 60}, "ahead of this computer's clock"),
        ("c3", 12.5, {}, "'12.5' is not a whole number"),
    ]
    with following(plant, server.url, counters) as running:
        until(lambda: len({machine for machine in (1, 2, 3) if figures(plant, machine)}) == 3)
        for name, value, marks, words in bad:
            server.put(name, value, **marks)
            until(lambda said=words: any(said in row.reason for row in rejected(plant)))
        server.put("c3", 13.0)
        until_shown(plant, 3, 13)
        server.put("c2", 9)
        until_shown(plant, 2, 9)
        seen = len(figures(plant, 1))
        until(lambda: len(figures(plant, 1)) > seen)
        running.stop()
    assert {strokes for _at, strokes in figures(plant, 2)} == {5, 9}
    assert {strokes for _at, strokes in figures(plant, 3)} == {12, 13}
    rows = rejected(plant)
    assert {row.topic for row in rows} == {node(2), node(3)}
    assert {row.source for row in rows} == {"opcua"}
    told = [json.loads(row.payload) for row in rows]
    assert {"value": -5, "is": "good"} in told


@on_sqlite
@pytest.mark.parametrize("mode", list(Mode))
def test_a_node_that_is_not_there_is_told_and_followed_once_it_is(
    plant: Engine, server: OpcuaServer, mode: Mode, caplog: pytest.LogCaptureFixture
) -> None:
    absent = {1: node(1), 2: "ns=2;s=later", 3: "nsu=urn:nowhere;s=c3"}
    with following(plant, server.url, mapped(absent, mode=mode)) as running:
        until(lambda: figures(plant, 1) and len({row.topic for row in rejected(plant)}) == 2)
        server.add("later", 77)
        until_shown(plant, 2, 77)
        running.stop()
    # What lasts is not said at each interval.
    assert {row.times for row in rejected(plant)} == {1}
    told = [line for line in caplog.messages if line.startswith("rejected")]
    assert any("ns=2;s=later: the server has no such node" in line for line in told)
    assert any("has no namespace urn:nowhere" in line for line in told)


@on_sqlite
@pytest.mark.parametrize(
    ("clock", "source", "ahead"),
    [
        (Clock.SOURCE, 60.0, MINUTE),
        (Clock.SOURCE, None, timedelta()),
        (Clock.SERVER, 60.0, timedelta()),
        (Clock.ARRIVAL, 6000.0, timedelta()),
    ],
)
def test_the_clock_that_is_chosen_dates_the_reading(
    plant: Engine, server: OpcuaServer, clock: Clock, source: float | None, ahead: timedelta
) -> None:
    server.put("c2", 6, source=source)
    present = datetime.now(UTC)
    counters = mapped({2: node(2)}, clock=clock)
    with following(plant, server.url, counters, once=True) as running:
        assert running.end() == {"kept": 1, "known": 0, "rejected": 0}
    ((at, strokes),) = figures(plant, 2)
    assert strokes == 6
    assert abs(at - present - ahead) < timedelta(seconds=20)


@on_sqlite
def test_a_node_may_be_named_by_its_namespace_but_not_twice(
    plant: Engine, server: OpcuaServer
) -> None:
    by_uri = f"nsu={NAMESPACE};s=c1"
    with following(plant, server.url, mapped({1: by_uri}), once=True) as running:
        assert running.end()["kept"] == 1
    twice = mapped({1: by_uri, 2: node(1)})
    with (
        following(plant, server.url, twice) as running,
        pytest.raises(ServerRefused, match="are the same node of the server"),
    ):
        running.end()


@on_sqlite
def test_machines_that_the_plant_does_not_have_are_named(plant: Engine) -> None:
    counters = mapped({1: node(1), 8: node(2), 9: node(3)})
    with (
        following(plant, "opc.tcp://127.0.0.1:1/none", counters) as running,
        pytest.raises(BadFact) as raised,
    ):
        running.end()
    assert [str(fault).split(":")[0] for fault in raised.value.faults] == ["machine 8", "machine 9"]
    assert "line 1 has no bodymaker 8" in str(raised.value)


def test_a_write_would_be_seen(server: OpcuaServer) -> None:
    """Else that nobody wrote says nothing."""

    async def write() -> None:
        async with Client(server.url) as client:
            await client.get_node(node(1)).write_value(ua.Variant(3, ua.VariantType.Int64))

    run_apart(write())
    server.look()
    assert len(server.writes) == 1
    server.writes.clear()


@on_sqlite
def test_the_command_says_only_what_matters_and_ends_in_order(
    plant: Engine, server: OpcuaServer, command: Command, tmp_path: Path
) -> None:
    running = command.start(
        "collect", "--opcua", server.url, "--map", write_map(tmp_path / "counters.toml", [1, 2])
    )
    try:
        until(lambda: figures(plant, 1) and figures(plant, 2))
        server.die()
        server.start()
        server.count("c1", every=0.02)
        until(lambda: figures(plant, 1)[-1][1] > 1000)
        running.send_signal(signal.SIGTERM)
        said, told = running.communicate(timeout=60)
    finally:
        running.kill()
        running.wait()
    assert running.returncode == 0, told
    assert "readings kept, 0 known before, 0 messages rejected" in said
    lines = [line.split(" ", maxsplit=1)[1] for line in told.splitlines()]
    lost = [line for line in lines if line.startswith(f"error: {server.url} cannot be reached: ")]
    assert 1 <= len(lost) == len(set(lost))
    assert lines.count(f"info: connected to {server.url}") == 2
    assert len(lines) == 3 + len(lost), told


@on_sqlite
def test_the_list_names_what_holds_a_number(server: OpcuaServer, run: Run) -> None:
    server.add("text", "Alder Point")
    server.add("flag", True)
    listed = json.loads(run("collect", "--opcua", server.url, "--list", "--json").stdout)
    assert listed == {
        "nodes": [
            {"node": node(1), "path": "Line 1/c1", "kind": "Int64", "value": "1000"},
            {"node": node(2), "path": "Line 1/c2", "kind": "Int64", "value": "5"},
            {"node": node(3), "path": "Line 1/c3", "kind": "Double", "value": "12.0"},
        ],
        "complete": True,
    }
    shown = run("collect", "--opcua", server.url, "--list")
    assert "ns=2;s=c3" in shown.stdout
    assert not shown.stderr


@on_sqlite
def test_wrong_usage_is_told(run: Run, tmp_path: Path) -> None:
    path = write_map(tmp_path / "counters.toml", [1])
    url = "opc.tcp://127.0.0.1:1"
    wrong: list[tuple[tuple[object, ...], str]] = [
        (("--opcua", url), "--opcua needs --map FILE"),
        (("--opcua", url, "--map", path, "--mqtt", "mqtt://h"), "--mqtt URL or --opcua URL"),
        (("--mqtt", "mqtt://h", "--map", path), "--map does not belong to that source"),
        (("--opcua", url, "--map", path, "--own-topics"), "--own-topics does not belong"),
        (("--opcua", url, "--map", path, "--json"), "--json belongs to --list"),
        (("--opcua", "http://h", "--map", path), "opc.tcp://host:4840"),
        (("--opcua", "opc.tcp://robin:pw@h", "--map", path), "leave user and password out"),
    ]
    for words, sentence in wrong:
        assert sentence in run("collect", *words, status=2).stderr
    nobody = run("collect", "--opcua", url, "--list", status=1)
    assert nobody.stderr == f"tracelog: {url} cannot be reached: nothing answers there\n"
