"""The connection to an MQTT broker: one thread, acknowledgement by hand, a session that lasts.

Everything happens inside `MqttLink.step`, so that a connection cannot change between the commit
of a message and its acknowledgement: a number that a broker gave a message holds for one
connection only.
"""

import select
import ssl
import time
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.intake.mqtt_rules import ArrivalClock, BrokerAddress, Message
from tracelog.intake.reject_rules import Arrived
from tracelog.language import _

SOURCE = "mqtt"
PROTOCOLS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}
# Messages that a broker may send before the first of them is acknowledged (MQTT 5 only; with
# 3.1.1 the broker's own limit holds), and those after which nothing more is read.
RECEIVE_MAXIMUM = 1000
HELD_AT_MOST = 2 * RECEIVE_MAXIMUM
# How long a broker keeps what it could not deliver (MQTT 5; with 3.1.1 as the broker is set).
SESSION_SECONDS = 90 * 24 * 3600
KEEPALIVE_SECONDS = 60
ANSWER_SECONDS = 10.0
# Refusals that no second attempt mends: MQTT 5, table 2-6, which paho uses for 3.1.1 too.
_FOR_GOOD = {0x84, 0x85, 0x86, 0x87, 0x8A, 0x8C, 0x90, 0x9D}
_TAKEN_OVER = 0x8E


class LinkDown(Exception):
    """The broker cannot be reached just now; the message says why."""


class Refused(TracelogError):
    """The broker will not have us, and will not the next time either."""


@dataclass(frozen=True, slots=True)
class Credentials:
    """Files for an encrypted connection: who may vouch for the broker, and our own certificate."""

    authority: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that the broker has not been told to forget."""

    message: Message
    number: int
    quality: int
    connection: int


class MqttLink:
    """A session with a broker.

    Args:
        address: where it listens.
        client_id: the session's name, the same after each start.
        protocol: ``5`` or ``3.1.1``.
        topics: what to subscribe to; `instead_of`: what an earlier start may have subscribed to.
        credentials: for TLS.

    Attributes:
        held: messages that came and were not taken yet, in order of arrival.
        is_ready: whether the broker has confirmed the subscription on this connection.
    """

    def __init__(
        self,
        address: BrokerAddress,
        client_id: str,
        protocol: str,
        topics: str,
        *,
        instead_of: str = "",
        credentials: Credentials | None = None,
    ) -> None:
        self.address = address
        self.held: deque[Waiting] = deque()
        self.is_ready = False
        self._topics, self._instead_of = topics, instead_of
        self._is_v5 = protocol == "5"
        self._connection = 0
        self._clock = ArrivalClock()
        self._down: str | None = None
        self._refused: Refused | None = None
        self._was_ready = False
        self._client = self._make_client(client_id, PROTOCOLS[protocol], credentials)

    def _make_client(
        self, client_id: str, protocol: MQTTProtocolVersion, credentials: Credentials | None
    ) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if self._is_v5 else False,
            protocol=protocol,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        if self.address.username is not None:
            client.username_pw_set(self.address.username, self.address.password)
        if self.address.is_encrypted:
            client.tls_set_context(_tls(credentials or Credentials()))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    @property
    def is_up(self) -> bool:
        """Whether there is a connection."""
        return self._client.socket() is not None

    def connect(self) -> None:
        """Connect and go on with the session; the broker's answer is waited for.

        What it had kept for us may come at once, and before it has confirmed the subscription.

        Raises:
            LinkDown: not just now.
            Refused: never, as things are.
        """
        self._forget_connection()
        self._down = self._refused = None
        self._connection += 1
        try:
            self._client.connect(
                self.address.host,
                self.address.port,
                KEEPALIVE_SECONDS,
                clean_start=False if self._is_v5 else 3,
                properties=self._session_properties(),
            )
        except ssl.SSLError as problem:
            raise self._tls_problem(problem) from None
        except OSError as problem:
            raise LinkDown(problem.strerror or str(problem)) from None
        give_up_at = time.monotonic() + ANSWER_SECONDS
        while not self._client.is_connected():
            self.step(0.1)
            if not self.is_up:
                raise LinkDown(self.why_down)
            if time.monotonic() > give_up_at:
                self._client.disconnect()
                self._forget_connection()
                raise LinkDown(_("it does not answer"))

    def step(self, seconds: float) -> int:
        """Wait so long at most for something to happen, and do what is to be done.

        Returns:
            How many messages came. A connection that ended is seen by `is_up`.

        Raises:
            Refused: the broker will not let us subscribe, or another collector has taken the
                session over.
        """
        before, client = len(self.held), self._client
        sock: Any = client.socket()
        if sock is None:
            time.sleep(seconds)
            return 0
        wants = len(self.held) < HELD_AT_MOST
        # What TLS has decrypted already, no socket tells of.
        is_pending = wants and hasattr(sock, "pending") and sock.pending() > 0
        can_read, can_write, _errors = select.select(
            [sock] if wants else [],
            [sock] if client.want_write() else [],
            [],
            0 if is_pending else seconds,
        )
        if can_write:
            client.loop_write()
        if can_read or is_pending:
            self._read()
        client.loop_misc()
        if self._refused is not None:
            raise self._refused
        return len(self.held) - before

    def _read(self) -> None:
        """Read until nothing more has come: a wait for each message costs more than reading it."""
        while self._client.socket() is not None and len(self.held) < HELD_AT_MOST:
            before = len(self.held)
            if self._client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            if len(self.held) == before:
                return

    def acknowledge(self, messages: Iterable[Waiting]) -> None:
        """Tell the broker to forget messages, in order; what came by an older connection it will
        send again."""
        for waiting in messages:
            if waiting.connection != self._connection or not self.is_up:
                return
            if waiting.quality:
                self._client.ack(waiting.number, waiting.quality)

    def leave(self) -> None:
        """Send what is still to be sent and disconnect; the session goes on without us."""
        give_up_at = time.monotonic() + ANSWER_SECONDS
        if self.is_up:
            self._client.disconnect()
        while self.is_up and self._client.want_write() and time.monotonic() < give_up_at:
            self._client.loop_write()
            time.sleep(0.01)
        self._client.loop_misc()
        self.held.clear()

    def _session_properties(self) -> Properties | None:
        if not self._is_v5:
            return None
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_SECONDS
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        return properties

    def _tls_problem(self, problem: ssl.SSLError) -> Exception:
        why = getattr(problem, "verify_message", None) or problem.reason or str(problem)
        sentence = _(
            "no secure connection with %(address)s: %(why)s", address=self.address, why=why
        )
        return LinkDown(sentence) if self._was_ready else Refused(sentence)

    def _forget_connection(self) -> None:
        # What was not acknowledged comes again with the next connection.
        self.held.clear()
        self.is_ready = False

    def _on_connect(
        self,
        client: Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._down = _("it refuses: %(why)s", why=reason)
            if reason.value in _FOR_GOOD and not self._was_ready:
                self._refused = Refused(
                    _("%(address)s refuses: %(why)s", address=self.address, why=reason)
                )
            return
        if self._instead_of:
            client.unsubscribe(self._instead_of)
        if self._is_v5:
            only_once = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
            client.subscribe(self._topics, options=SubscribeOptions(1, retainHandling=only_once))
        else:
            client.subscribe(self._topics, 1)

    def _on_subscribe(
        self,
        _client: Client,
        _data: object,
        _number: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        (reason,) = reasons
        if reason.is_failure or reason.value == 0:
            self._refused = Refused(
                _(
                    "%(address)s does not let this account subscribe to %(topics)s with QoS 1:"
                    " %(why)s",
                    address=self.address,
                    topics=self._topics,
                    why=reason,
                )
            )
            return
        self.is_ready = self._was_ready = True

    def _on_disconnect(
        self,
        _client: Client,
        _data: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._forget_connection()
        if flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER:
            self._refused = Refused(
                _(
                    "another collector has signed in at %(address)s with the same client id; run"
                    " one, or give each its own --client-id",
                    address=self.address,
                )
            )
        if self._down is None:
            self._down = str(reason)

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = _("(a topic that is not UTF-8)")
        origin = Arrived.of(SOURCE, topic, bytes(message.payload), self._clock.stamp(now()))
        again, stored = bool(message.dup), bool(message.retain)
        self.held.append(
            Waiting(Message(origin, again, stored), message.mid, message.qos, self._connection)
        )

    @property
    def why_down(self) -> str:
        """Why the last connection ended, for the log."""
        return self._down or _("the connection ended")


class _TidySocket(ssl.SSLSocket):
    def do_handshake(self, block: bool = False) -> None:
        """Close the connection where no trust is reached; nobody else would."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def _tls(credentials: Credentials) -> ssl.SSLContext:
    """Settings of an encrypted connection: the broker's certificate is always verified.

    Raises:
        Refused: a file cannot be used.
    """

    def no_password() -> str:
        raise Refused(_("the key is locked with a password; give a key that is not"))

    named = credentials.authority or _("the system's authorities")
    try:
        context = ssl.create_default_context(cafile=credentials.authority)
        context.sslsocket_class = _TidySocket
        if credentials.certificate is not None:
            named = credentials.certificate
            context.load_cert_chain(credentials.certificate, credentials.key, no_password)
    except (ssl.SSLError, OSError) as problem:
        why = problem.strerror or problem
        raise Refused(_("%(file)s cannot be used: %(why)s", file=named, why=why)) from None
    return context
