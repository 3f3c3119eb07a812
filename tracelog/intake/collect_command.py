"""The command that collects counter readings until it is stopped."""

import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import click

from tracelog.config import load_settings
from tracelog.instants import now
from tracelog.language import _
from tracelog.terminal import open_database

_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command("collect")
@click.option("--mqtt", "mqtt_url", metavar="URL", help="Broker: mqtt://host:1883, mqtts://host.")
@click.option(
    "--protocol",
    type=click.Choice(["5", "3.1.1"]),
    default="5",
    show_default=True,
    help="Version of MQTT.",
)
@click.option("--client-id", metavar="ID", help="Name of the session at the broker.")
@click.option("--own-topics", is_flag=True, help="Only this plant's topics, not those of others.")
@click.option("--ca", type=_FILE, metavar="FILE", help="Who vouches for the broker (PEM).")
@click.option("--cert", type=_FILE, metavar="FILE", help="Our own certificate (PEM).")
@click.option("--key", type=_FILE, metavar="FILE", help="Its private key (PEM).")
@click.option("--once", is_flag=True, help="Take what is waiting, then end.")
def collect(mqtt_url: str | None, **options: Any) -> None:
    """Collect readings of the machines' counters until stopped (Ctrl-C or SIGTERM).

    A message is acknowledged only when its reading is kept. User name and password come from
    TRACELOG_MQTT_USERNAME and TRACELOG_MQTT_PASSWORD.

    Example: tracelog collect --mqtt mqtt://broker.example:1883
    """
    if mqtt_url is None:
        raise click.UsageError(_("say where the readings come from, such as --mqtt URL"))
    with _log_on_stderr(), _stopping() as stop:
        _collect_mqtt(mqtt_url, options, stop)


def _collect_mqtt(url: str, options: dict[str, Any], stop: threading.Event) -> None:
    from dataclasses import replace

    from tracelog.intake.mqtt_collector import MqttChoices, collect_mqtt
    from tracelog.intake.mqtt_link import Credentials
    from tracelog.intake.mqtt_rules import read_address

    settings = load_settings()
    try:
        address = read_address(url)
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint="--mqtt") from None
    if address.username is None:
        address = replace(address, username=settings.mqtt_username, password=settings.mqtt_password)
    credentials = Credentials(options["ca"], options["cert"], options["key"])
    if credentials != Credentials() and not address.is_encrypted:
        raise click.UsageError(_("--ca, --cert and --key need an address with mqtts://"))
    if credentials.key and not credentials.certificate:
        raise click.UsageError(_("--key needs --cert, the certificate that it belongs to"))
    choices = MqttChoices(
        address,
        options["protocol"],
        options["client_id"],
        own_topics=options["own_topics"],
        once=options["once"],
        credentials=credentials,
    )
    done = collect_mqtt(open_database(settings), choices, stop)
    click.echo(
        _(
            "%(kept)d readings kept, %(known)d known before, %(rejected)d messages rejected",
            **done,
        )
    )


@contextmanager
def _log_on_stderr() -> Iterator[None]:
    """What the collector says while it runs goes to stderr, a line each."""
    to_stderr = logging.StreamHandler(sys.stderr)
    to_stderr.setFormatter(_Line())
    ours = logging.getLogger("tracelog")
    before = ours.level
    ours.addHandler(to_stderr)
    ours.setLevel(logging.INFO)
    try:
        yield
    finally:
        ours.removeHandler(to_stderr)
        ours.setLevel(before)


class _Line(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        """Time in UTC, how bad it is, and the sentence."""
        at = now().strftime("%Y-%m-%dT%H:%M:%SZ")
        return f"{at} {record.levelname.lower()}: {record.getMessage()}"


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    """An event that a signal to stop sets; a second signal ends at once."""
    stop = threading.Event()
    before: dict[signal.Signals, Any] = {}

    def ask(number: int, _frame: FrameType | None) -> None:
        stop.set()
        signal.signal(number, before[signal.Signals(number)])

    for asking in (signal.SIGINT, signal.SIGTERM):
        before[asking] = signal.signal(asking, ask)
    try:
        yield stop
    finally:
        for asking, handler in before.items():
            signal.signal(asking, handler)
