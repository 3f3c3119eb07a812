"""An MQTT broker of the tests' own: Mosquitto where it is installed, else one from a wheel."""

import base64
import hashlib
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal, TypeAlias

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.support import tree
from tests.support.testrun import PATIENCE_SECONDS, absent

BrokerKind: TypeAlias = Literal["mosquitto", "amqtt"]
PLACES = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")
MOSQUITTO = """
listener {port} 127.0.0.1
persistence true
persistence_location {folder}/
max_queued_messages 0
user {user}
"""


def mosquitto_program() -> str | None:
    """Where Mosquitto is installed; None where it is not."""
    path = os.pathsep.join([os.environ.get("PATH", ""), *PLACES])
    return shutil.which("mosquitto", path=path)


class Broker:
    """A broker on a free port, with its memory in a folder; not running until it is started.

    Args:
        kind: ``mosquitto``, which also speaks MQTT 5 and keeps its sessions over a restart, or
            ``amqtt``, which is there on every machine.
        folder: a new folder.
        settings: further lines of Mosquitto's settings; without any, everybody may sign in.
    """

    def __init__(self, kind: BrokerKind, folder: Path, *settings: str) -> None:
        if kind == "mosquitto" and mosquitto_program() is None:
            absent("Mosquitto", "no program of this name is installed")
        self.kind = kind
        self.port = _free_port()
        self._folder, self._settings = folder, [*settings]
        self._running: subprocess.Popen[bytes] | None = None
        folder.mkdir(exist_ok=True)

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> "Broker":
        """Start it, with what it remembers, and wait until it listens."""
        assert self._running is None
        with (self._folder / "log").open("ab") as log:
            self._running = subprocess.Popen(
                self._command(), stdout=log, stderr=log, stdin=subprocess.DEVNULL, cwd=tree.ROOT
            )
        give_up_at = time.monotonic() + PATIENCE_SECONDS
        while not _listens(self.port):
            assert self._running.poll() is None, self.log()
            assert time.monotonic() < give_up_at, self.log()
            time.sleep(0.02)
        return self

    def stop(self, *, kill: bool = False) -> None:
        """End it in order, or as if the power failed; nothing if it is not running."""
        if self._running is None:
            return
        if kill:
            self._running.kill()
        else:
            self._running.terminate()
        self._running.wait(timeout=PATIENCE_SECONDS)
        self._running = None

    def log(self) -> str:
        """What it said."""
        return (self._folder / "log").read_text(encoding="utf-8", errors="replace")

    def ask_for(self, name: str, password: str) -> None:
        """Let only one account sign in, from the next start on."""
        salt = os.urandom(12)
        digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
        parts = [base64.b64encode(part).decode() for part in (salt, digest)]
        file = self._folder / "passwords"
        file.write_text(f"{name}:$7$101${parts[0]}${parts[1]}\n", encoding="utf-8")
        file.chmod(0o600)
        self._settings += [f"password_file {file}"]

    def publisher(self, name: str = "publisher") -> "Publisher":
        """A client that sends to it."""
        return Publisher(self.port, name)

    def _command(self) -> list[str]:
        if self.kind == "amqtt":
            return [sys.executable, "-m", "tests.support.amqtt_broker", str(self.port)]
        program = mosquitto_program()
        assert program
        settings = MOSQUITTO.format(
            port=self.port,
            folder=self._folder,
            # As whoever runs the tests, also where that is root.
            user="root",
        )
        file = self._folder / "settings"
        open_to_all = [] if self._settings else ["allow_anonymous true"]
        lines = [settings, *open_to_all, *self._settings, ""]
        file.write_text("\n".join(lines), encoding="utf-8")
        return [program, "-c", str(file)]


class Publisher:
    """Sends messages with QoS 1, and again what was not acknowledged, as clients should."""

    def __init__(self, port: int, name: str) -> None:
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=False,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.max_inflight_messages_set(100)
        self._sent, self._done = 0, 0
        self._client.on_publish = self._count
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, topic: str, payload: str | bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Send a message; `wait` waits until all that were sent are acknowledged."""
        self._client.publish(topic, payload, qos=qos, retain=retain)
        self._sent += 1

    def send_all(self, messages: Iterable[tuple[str, str | bytes]]) -> None:
        """Send messages in order, and wait until all are acknowledged."""
        for topic, payload in messages:
            self.send(topic, payload)
        self.wait()

    def wait(self) -> None:
        """Wait until the broker has everything."""
        give_up_at = time.monotonic() + PATIENCE_SECONDS
        while self._done < self._sent:
            assert time.monotonic() < give_up_at, f"{self._done} of {self._sent} arrived"
            time.sleep(0.01)

    def _count(self, *_acknowledged: Any) -> None:
        self._done += 1

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> "Publisher":
        return self

    def __exit__(self, *_problem: Any) -> None:
        self.close()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
