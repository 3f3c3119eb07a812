"""The connection to an OPC UA server. It reads and is told of changes; it never writes.

Whatever the library raises leaves this module as one of two: `ServerLost` (try again later) or
`ServerRefused` (somebody has to do something first).
"""

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

from asyncua import Client, Node, ua
from asyncua.common.subscription import DataChangeNotif, Subscription

from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.intake.opcua_map import Security
from tracelog.intake.opcua_nodes import NodeAddress
from tracelog.intake.opcua_rules import Shown
from tracelog.intake.opcua_security import SecuredClient, ServerRefused, check_endpoints, secure
from tracelog.language import _

USUAL_PORT = 4840
ANSWER_SECONDS = 10.0
_LEAVE_SECONDS = 5.0
# A connection over which nothing comes is noticed within about twice this.
_PROBE_SECONDS = 5.0
# Small controllers have few sessions; one that was cut off must not be held for long.
_SESSION_MS = 60_000
# Servers limit how many nodes one call may name; common practice, no source.
NODES_AT_ONCE = 100
# So many samples are taken, and held by the server, between two of its messages.
_SAMPLES = 4
_QUEUE = 10
_LONGEST_PUBLISHING_SECONDS = 1.0
_MOST_CHANGES = 10_000
_REFUSED_US = {"BadUserAccessDenied", "BadIdentityTokenRejected", "BadIdentityTokenInvalid"}


class ServerLost(Exception):
    """The server cannot be reached, or no longer; the message says why."""

    def told_of(self, url: str) -> str:
        """The sentence to show."""
        return _("%(url)s cannot be reached: %(why)s", url=url, why=self)


def read_url(text: str) -> str:
    """The address of a server, with its port.

    Raises:
        ValueError: not one, with the sentence to show.
    """
    try:
        parts = urlsplit(text)
        port = parts.port or USUAL_PORT
    except ValueError:
        parts, port = urlsplit(""), 0
    if parts.scheme != "opc.tcp" or not parts.hostname:
        raise ValueError(
            _("'%(text)s' is not an address; write it such as opc.tcp://host:4840", text=text)
        )
    if "@" in parts.netloc:
        raise ValueError(
            _(
                "leave user and password out of the address: write user into [security] of the"
                " map, and the password into TRACELOG_OPCUA_PASSWORD"
            )
        )
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return parts._replace(netloc=f"{host}:{port}").geturl()


def hush_library() -> None:
    """Keep the library's own log off the terminal; what matters is said in our sentences."""
    library = logging.getLogger("asyncua")
    library.handlers = [logging.NullHandler()]
    library.propagate = False


class OpcuaLink:
    """One server. After `leave` it can be connected again.

    Args:
        url: as `read_url` gives it.
        security: how the server is made sure of; None: not at all.
        password: of the user that `security` names.
    """

    def __init__(self, url: str, security: Security | None, password: str | None) -> None:
        self.url = url
        self._security, self._password = security, password
        self._client: Client | None = None
        self._subscription: Subscription | None = None
        self._ids: dict[NodeAddress, ua.NodeId] = {}
        self._nodes: dict[ua.NodeId, NodeAddress] = {}
        self._changes: asyncio.Queue[tuple[NodeAddress, Shown] | ServerLost] = asyncio.Queue()

    async def connect(self) -> None:
        """Make sure of the server and sign in.

        Raises:
            ServerLost: it cannot be reached.
            ServerRefused: it is not the server that is trusted, or does not let us in.
        """
        self._changes = asyncio.Queue(_MOST_CHANGES)
        self._subscription = None
        async with told_plainly(self._security):
            client = SecuredClient(self.url, timeout=ANSWER_SECONDS)
            client.session_timeout = _SESSION_MS
            await check_endpoints(client, self._security)
            client = SecuredClient(
                self.url, timeout=ANSWER_SECONDS, watchdog_intervall=_PROBE_SECONDS
            )
            client.name = client.description = "tracelog collect"
            client.session_timeout = _SESSION_MS
            if self._security is not None:
                await secure(client, self._security, self._password)
            client.connection_lost_callback = self._lost
            self._client = client
            await client.connect()

    async def leave(self) -> None:
        """Sign out, if the server still hears it."""
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(Exception):
                async with asyncio.timeout(_LEAVE_SECONDS):
                    await client.disconnect()

    @property
    def client(self) -> Client:
        """The library's client, while connected."""
        if self._client is None:
            raise ServerLost(_("not connected"))
        return self._client

    async def find(self, nodes: Sequence[NodeAddress]) -> set[NodeAddress]:
        """Learn which nodes are meant; those whose namespace the server does not have are left out.

        Raises:
            ServerLost: the server is gone.
            ServerRefused: two addresses mean the same node.
        """
        async with told_plainly():
            spaces = await self.client.get_namespace_array()
        self._ids.clear()
        self._nodes.clear()
        for node in nodes:
            space = node.space
            if isinstance(space, str):
                if space not in spaces:
                    continue
                space = spaces.index(space)
            node_id = ua.NodeId(node.identifier, space)
            if node_id in self._nodes:
                raise ServerRefused(
                    _(
                        "%(one)s and %(other)s are the same node of the server; each machine has"
                        " a node of its own, so correct the map",
                        one=self._nodes[node_id].text,
                        other=node.text,
                    )
                )
            self._nodes[node_id], self._ids[node] = node, node_id
        return set(self._ids)

    async def read(self, nodes: Sequence[NodeAddress]) -> list[Shown]:
        """What nodes that were found show now, in order.

        Raises:
            ServerLost: the server is gone.
        """
        return [_shown(value) for value in await self.values(nodes)]

    async def values(self, nodes: Sequence[NodeAddress]) -> list[Any]:
        """As `read`, as the library decodes them."""
        values: list[Any] = []
        for start in range(0, len(nodes), NODES_AT_ONCE):
            asked = ua.ReadParameters(TimestampsToReturn=ua.TimestampsToReturn.Both)
            for node in nodes[start : start + NODES_AT_ONCE]:
                asked.NodesToRead.append(
                    ua.ReadValueId(self._ids[node], AttributeId=ua.AttributeIds.Value)
                )
            async with told_plainly():
                values += await self.client.uaclient.read(asked)
        if len(values) != len(nodes):
            raise ServerLost(_("the server answered for other nodes than were asked for"))
        return values

    async def follow(self, nodes: Sequence[NodeAddress], seconds: float) -> dict[NodeAddress, str]:
        """Ask to be told of changes of nodes that were found.

        Args:
            nodes: further ones, at any time.
            seconds: how often a reading is wanted at most.

        Returns:
            Those that the server does not take, with the sentence that says why.

        Raises:
            ServerLost: the server is gone.
        """
        refused: dict[NodeAddress, str] = {}
        publishing_ms = min(seconds, _LONGEST_PUBLISHING_SECONDS) * 1000
        async with told_plainly():
            if self._subscription is None:
                self._subscription = await self.client.create_subscription(
                    publishing_ms, _Changes(self)
                )
            for start in range(0, len(nodes), NODES_AT_ONCE):
                part = nodes[start : start + NODES_AT_ONCE]
                answers = await self._subscription.subscribe_data_change(
                    [self.client.get_node(self._ids[node]) for node in part],
                    queuesize=_QUEUE,
                    sampling_interval=publishing_ms / _SAMPLES,
                )
                for node, answer in zip(part, answers, strict=True):
                    if isinstance(answer, ua.StatusCode):
                        refused[node] = _reason(answer)
        return refused

    async def next_change(self, seconds: float) -> tuple[NodeAddress, Shown] | None:
        """The next change that the server tells of; None: none came in so many seconds.

        Raises:
            ServerLost: the server is gone.
        """
        try:
            # Not wait_for, which may swallow that the task is cancelled (Python 3.11).
            async with asyncio.timeout(max(seconds, 0.0)):
                change = await self._changes.get()
        except TimeoutError:
            return None
        if isinstance(change, ServerLost):
            raise change
        return change

    def changed(self, node_id: ua.NodeId, value: ua.DataValue) -> None:
        """Take in what the server tells of a node."""
        node = self._nodes.get(node_id)
        if node is not None:
            self._put((node, _shown(value)))

    def ended(self, why: str) -> None:
        """Take in that the server tells nothing any more."""
        self._put(ServerLost(why))

    def _put(self, change: tuple[NodeAddress, Shown] | ServerLost) -> None:
        if self._changes.full():
            # The newest figures tell most.
            self._changes.get_nowait()
        self._changes.put_nowait(change)

    async def _lost(self, problem: Exception) -> None:
        self.ended(_why(problem))


class _Changes:
    """Is called by the library for each change."""

    def __init__(self, link: OpcuaLink) -> None:
        self._link = link

    def datachange_notification(self, node: Node, _value: Any, data: DataChangeNotif) -> None:
        """A value or its status changed."""
        self._link.changed(node.nodeid, data.monitored_item.Value)

    def status_change_notification(self, status: ua.StatusChangeNotification) -> None:
        """The subscription ended."""
        self._link.ended(_("the server ended the subscription: %(why)s", why=status.Status.name))


def _shown(data: ua.DataValue) -> Shown:
    value = data.Value.Value if data.Value is not None else None
    return Shown(
        value,
        _reason(data.StatusCode),
        _in_utc(data.SourceTimestamp),
        _in_utc(data.ServerTimestamp),
        now(),
        time.monotonic(),
    )


def _in_utc(moment: datetime | None) -> datetime | None:
    return moment.replace(tzinfo=UTC) if moment is not None and moment.tzinfo is None else moment


def _reason(status: ua.StatusCode | None) -> str:
    """Why a value is not to be had or not to be trusted; empty when it is good."""
    if status is None or status.is_good():
        return ""
    if status.name in {"BadNodeIdUnknown", "BadNodeIdInvalid"}:
        return _(
            "the server has no such node (%(name)s); --list prints those it has, so correct the"
            " map",
            name=status.name,
        )
    if status.name == "BadAttributeIdInvalid":
        return _("the node has no value (%(name)s); name a variable", name=status.name)
    return _(
        "the server does not vouch for the value: %(name)s, %(meaning)s",
        name=status.name,
        meaning=status.doc[:200],
    )


@asynccontextmanager
async def told_plainly(security: Security | None = None) -> AsyncIterator[None]:
    """Turn what the library raises into a sentence."""
    try:
        yield
    except (ServerLost, TracelogError):
        raise
    except Exception as problem:
        name = type(problem).__name__
        if security is not None and (
            name.startswith("BadCertificate") or name == "BadSecurityChecksFailed"
        ):
            raise ServerRefused(
                _(
                    "the server does not accept our certificate %(path)s (%(name)s); have it"
                    " trusted at the server by those who look after it",
                    path=security.certificate,
                    name=name,
                )
            ) from problem
        if name in _REFUSED_US:
            raise ServerRefused(
                _(
                    "the server does not let us in (%(name)s); check user in the map and"
                    " TRACELOG_OPCUA_PASSWORD",
                    name=name,
                )
            ) from problem
        raise ServerLost(_why(problem)) from problem


def _why(problem: BaseException) -> str:
    if isinstance(problem, TimeoutError):
        return _("no answer within %(seconds)d s", seconds=ANSWER_SECONDS)
    if isinstance(problem, ConnectionRefusedError):
        return _("nothing answers there")
    if isinstance(problem, socket.gaierror):
        return _("there is no such host")
    if isinstance(problem, ua.UaStatusCodeError):
        return f"{type(problem).__name__}: {problem}"
    if isinstance(problem, OSError) and problem.strerror:
        return problem.strerror
    return str(problem) or type(problem).__name__
