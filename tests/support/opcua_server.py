"""An OPC UA server with counters, in a process of its own, for tests of the collector.

The standard nodes take seconds to make, so a run makes them once: this module is started as a
program, makes them, and waits in the run's folder; each server that a test asks for is a fork of
it, and obeys the test over a socket. It counts by itself, remembers what it showed and when, and
what others asked of it, so that a test knows the truth.
"""

import asyncio
import json
import logging
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from asyncua import Server, ua
from asyncua.common.callback import CallbackType
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.crypto.uacrypto import der_from_x509, load_certificate

from tests.support import testrun, tree

NAMESPACE = "urn:alder-point:counters"
_SOCKET = "opcua.sock"
_programs: list["subprocess.Popen[bytes]"] = []
_KINDS = {bool: "Boolean", int: "Int64", float: "Double", str: "String"}


class OpcuaServer:
    """A running server as a test sees it.

    Args:
        counters: names of nodes and the figure each begins with; a node keeps its type.
        secured: certificate, key, trusted client certificates, users with their passwords; None:
            it takes anybody, without certificates.

    Example:
        >>> server = OpcuaServer({"c7": 100})  # doctest: +SKIP
        >>> server.count("c7", every=0.02)  # doctest: +SKIP
    """

    def __init__(
        self, counters: Mapping[str, Any], secured: Mapping[str, Any] | None = None
    ) -> None:
        self.port = _free_port()
        self.url = f"opc.tcp://127.0.0.1:{self.port}/counters"
        self.secured = secured
        self._memory: dict[str, Any] = {
            name: {"shown": figure, "made": 0, "log": []} for name, figure in counters.items()
        }
        self._link: socket.socket | None = None
        self.writes: list[str] = []
        self.start()

    def start(self) -> None:
        """Start it, again on the same port and with the figures it had."""
        nursery = _nursery()
        self._link = socket.socket(socket.AF_UNIX)
        self._link.connect(nursery)
        self._lines = self._link.makefile("rw", encoding="utf-8")
        wanted = {"port": self.port, "secured": self.secured, "memory": self._memory}
        assert self._ask(wanted) == "ready"

    def die(self) -> None:
        """End it at once, as with a pulled plug, and keep what it knew."""
        self._ask({"do": "die"})
        # It is gone when its end of the line is.
        assert not self._lines.read()
        self._hang_up()

    def close(self) -> None:
        """End it for good."""
        if self._link is not None:
            self.die()

    def _hang_up(self) -> None:
        assert self._link is not None
        self._lines.close()
        self._link.close()
        self._link = None

    def count(self, name: str, every: float, step: int = 1) -> None:
        """Let a counter run, a step every so many seconds, until it is halted."""
        self._ask({"do": "count", "name": name, "every": every, "step": step})

    def halt(self, name: str) -> None:
        """Let a counter stand."""
        self._ask({"do": "halt", "name": name})

    def show(self, name: str, figure: int, made: int = 0) -> None:
        """Let a counter show another figure, after so many strokes that it did not show."""
        self._ask({"do": "show", "name": name, "figure": figure, "made": made})

    def put(self, name: str, value: Any, **marks: Any) -> None:
        """Let a node show any value; marks: ``status``, ``source`` (seconds from now, None)."""
        self._ask({"do": "put", "name": name, "value": value, **marks})

    def hush(self, name: str, figure: int) -> None:
        """Let a node change and tell nobody who follows it."""
        self._ask({"do": "hush", "name": name, "figure": figure})

    def add(self, name: str, figure: Any) -> None:
        """Give it another counter while it runs."""
        self._ask({"do": "add", "name": name, "figure": figure})

    def look(self) -> dict[str, Any]:
        """What it knows: the figures that are ``shown``, by name."""
        seen: dict[str, Any] = self._ask({"do": "look"})
        return seen

    def made_between(self, name: str, start: datetime, end: datetime) -> int:
        """Strokes that a counter made between two instants of its own clock."""
        self.look()
        log = self._memory[name]["log"]

        def made_by(moment: datetime) -> int:
            return max((made for at, made in log if datetime.fromisoformat(at) <= moment))

        return made_by(end) - made_by(start)

    def _ask(self, wanted: Any) -> Any:
        self._lines.write(json.dumps(wanted) + "\n")
        self._lines.flush()
        answer = json.loads(self._lines.readline())
        if "problem" in answer:
            raise RuntimeError(answer["problem"])
        self._memory = answer.get("memory", self._memory)
        self.writes += answer.get("writes", [])
        return answer["value"]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _nursery() -> str:
    """Address of the program that makes servers; the first who asks starts it."""

    def begin() -> str:
        log = (testrun.folder() / "opcua.log").open("wb")
        with log:
            # Held, since a program that runs must not be forgotten; it ends with the folder.
            _programs.append(
                subprocess.Popen(
                    [sys.executable, "-m", "tests.support.opcua_server", str(testrun.folder())],
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    cwd=tree.ROOT,
                    start_new_session=True,
                )
            )
        testrun.wait_for(testrun.folder() / "opcua.ready")
        return str(testrun.folder() / _SOCKET)

    return testrun.once("opcua-nursery", begin)


# --- the program ---


def _wait_and_fork(folder: Path) -> None:
    """Make the standard nodes, then a server for each who asks, until the run is over."""
    logging.disable(logging.CRITICAL)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    server = asyncio.run(_prepared())
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(folder / _SOCKET))
    listening.listen()
    listening.settimeout(0.5)
    testrun.write_whole(folder / "opcua.ready", "ready")
    while folder.exists():
        try:
            link, _address = listening.accept()
        except TimeoutError:
            continue
        if os.fork() == 0:
            listening.close()
            link.setblocking(False)
            asyncio.run(_Served(server, link).run())
            os._exit(0)
        link.close()


async def _prepared() -> Server:
    server = Server(user_manager=_Users())
    await server.init()
    return server


class _Users:
    known: Mapping[str, str] = {}

    def get_user(
        self,
        iserver: Any,
        username: str | None = None,
        password: Any = None,
        certificate: Any = None,
    ) -> User | None:
        """Everybody, unless users are known: then only they, with their password."""
        if isinstance(password, bytes):
            password = password.decode()
        if not self.known or self.known.get(username or "") == password:
            return User(role=UserRole.User)
        return None


class _Served:
    """A server that obeys a test."""

    def __init__(self, server: Server, link: socket.socket) -> None:
        self.server, self.link = server, link
        self.nodes: dict[str, Any] = {}
        self.kinds: dict[str, Any] = {}
        self.running: dict[str, asyncio.Task[None]] = {}
        self.memory: dict[str, Any] = {}
        self.writes: list[str] = []

    async def run(self) -> None:
        """Serve until the test goes away."""
        reader, writer = await asyncio.open_connection(sock=self.link, limit=2**24)
        while line := await reader.readline():
            wanted = json.loads(line)
            is_last = wanted.get("do") == "die"
            try:
                value = await self._obey(wanted)
                answer = {"value": value, "memory": self.memory, "writes": self.writes}
            except Exception as problem:
                answer = {"problem": repr(problem)}
            self.writes = []
            writer.write(json.dumps(answer).encode() + b"\n")
            await writer.drain()
            if is_last:
                os._exit(0)

    async def _obey(self, wanted: dict[str, Any]) -> Any:
        do = wanted.pop("do", "begin")
        return await getattr(self, f"_{do}")(**wanted)

    async def _begin(self, port: int, secured: Any, memory: dict[str, Any]) -> str:
        self.memory = memory
        self.server.set_endpoint(f"opc.tcp://127.0.0.1:{port}/counters")
        await self._secure(secured)
        space = await self.server.register_namespace(NAMESPACE)
        self.folder = await self.server.nodes.objects.add_object(
            ua.NodeId("line1", space), "Line 1"
        )
        for name, known in memory.items():
            await self._add(name, known["shown"])
        self.server.iserver.callback_service.addListener(CallbackType.PreWrite, self._note_write)
        await self.server.start()
        return "ready"

    async def _secure(self, secured: Any) -> None:
        if not secured:
            self.server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
            return
        await self.server.load_certificate(secured["certificate"], "pem")
        await self.server.load_private_key(secured["key"], format="pem")
        kinds = [
            ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
            ua.SecurityPolicyType.Basic256Sha256_Sign,
        ]
        self.server.set_security_policy(kinds)
        certificates = [await load_certificate(path, "pem") for path in secured["trusted"]]
        trusted = {der_from_x509(certificate) for certificate in certificates}
        _Users.known = secured.get("users", {})

        async def judge(certificate: Any, _application: Any) -> None:
            if der_from_x509(certificate) not in trusted:
                raise ServiceError(ua.StatusCodes.BadCertificateUntrusted)

        self.server.iserver.certificate_validator = judge

    def _note_write(self, event: Any, _dispatcher: Any) -> None:
        if event.is_external:
            self.writes += [str(one.NodeId) for one in event.request_params.NodesToWrite]

    async def _add(self, name: str, figure: Any) -> None:
        space = await self.server.get_namespace_index(NAMESPACE)
        self.kinds[name] = getattr(ua.VariantType, _KINDS[type(figure)])
        self.nodes[name] = await self.folder.add_variable(
            ua.NodeId(name, space), name, figure, self.kinds[name]
        )
        # A client that tries to write succeeds, so that it is seen.
        await self.nodes[name].set_writable()
        self.memory.setdefault(name, {"shown": figure, "made": 0, "log": []})
        await self._show(name, figure)

    async def _show(self, name: str, figure: Any, made: int = 0) -> None:
        known = self.memory[name]
        at = datetime.now(UTC)
        known["shown"], known["made"] = figure, known["made"] + made
        known["log"].append([at.isoformat(), known["made"]])
        await self._write(name, figure, at)

    async def _write(self, name: str, value: Any, at: datetime | None, status: int = 0) -> None:
        told = ua.DataValue(
            ua.Variant(value, self.kinds[name]), ua.StatusCode(status), SourceTimestamp=at
        )
        await self.server.write_attribute_value(self.nodes[name].nodeid, told)

    async def _put(
        self, name: str, value: Any, status: str = "Good", source: float | None = 0.0
    ) -> None:
        at = None if source is None else datetime.now(UTC) + timedelta(seconds=source)
        await self._write(name, value, at, getattr(ua.StatusCodes, status))

    async def _hush(self, name: str, figure: int) -> None:
        told = ua.DataValue(ua.Variant(figure, self.kinds[name]), SourceTimestamp=datetime.now(UTC))
        self.server.set_attribute_value_callback(
            self.nodes[name].nodeid, lambda _node, _attribute: told
        )

    async def _count(self, name: str, every: float, step: int) -> None:
        async def count() -> None:
            while True:
                await asyncio.sleep(every)
                await self._show(name, self.memory[name]["shown"] + step, made=step)

        self.running[name] = asyncio.create_task(count())

    async def _halt(self, name: str) -> None:
        self.running.pop(name).cancel()

    async def _look(self) -> dict[str, Any]:
        return {"shown": {name: known["shown"] for name, known in self.memory.items()}}

    async def _die(self) -> None:
        return None


def main(arguments: Sequence[str]) -> None:
    """Start the program."""
    _wait_and_fork(Path(arguments[0]))


if __name__ == "__main__":
    main(sys.argv[1:])
