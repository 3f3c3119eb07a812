"""The command that collects counter readings until it is stopped."""

import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click
from sqlalchemy.exc import DBAPIError

from tracelog.config import Settings, load_settings
from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.language import _
from tracelog.logs import JsonLines, level_of
from tracelog.terminal import json_option, open_database, print_json, print_table

if TYPE_CHECKING:
    from collections import Counter

    from sqlalchemy import Engine

    from tracelog.intake.opcua_map import CounterMap

# Signals are brought up to date so often while readings come in.
_SIGNALS_SECONDS = 300.0
_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)

# Options that only one of the sources has.
_MQTT_ALONE = {
    "client_id": "--client-id",
    "own_topics": "--own-topics",
    "ca": "--ca",
    "cert": "--cert",
    "key": "--key",
}
_OPCUA_ALONE = {"map_path": "--map", "only_list": "--list"}


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
@click.option("--opcua", "opcua_url", metavar="URL", help="OPC UA server: opc.tcp://host:4840.")
@click.option(
    "--map", "map_path", type=_FILE, metavar="FILE", help="Which node is whose counter (TOML)."
)
@click.option("--list", "only_list", is_flag=True, help="Print the server's numbers, then end.")
@click.option("--once", is_flag=True, help="Take what is there now, then end.")
@json_option
def collect(mqtt_url: str | None, opcua_url: str | None, **options: Any) -> None:
    """Collect readings of the machines' counters until stopped (Ctrl-C or SIGTERM).

    A message is acknowledged only when its reading is kept. User name and password come from
    TRACELOG_MQTT_USERNAME and TRACELOG_MQTT_PASSWORD.

    An OPC UA server is read and never written to; --list prints the nodes for the map. The
    password comes from TRACELOG_OPCUA_PASSWORD. Have the plant's authorised people give access
    to controllers.

    Example: tracelog collect --mqtt mqtt://broker.example:1883

    Example: tracelog collect --opcua opc.tcp://plc.example:4840 --map counters.toml
    """
    if (mqtt_url is None) == (opcua_url is None):
        raise click.UsageError(_("say where the readings come from: --mqtt URL or --opcua URL"))
    _refuse_others(options, _OPCUA_ALONE if mqtt_url else _MQTT_ALONE)
    if options["as_json"] and not options["only_list"]:
        raise click.UsageError(_("--json belongs to --list"))
    with _log_on_stderr(load_settings()), _stopping() as stop:
        try:
            if mqtt_url is not None:
                _collect_mqtt(mqtt_url, options, stop)
            elif opcua_url is not None:
                _collect_opcua(opcua_url, options, stop)
        except DBAPIError as problem:
            # Once it runs, a collector waits for its database; at the start somebody looks on.
            why = str(problem.orig).strip().splitlines()[0]
            raise TracelogError(_("the database cannot be used: %(why)s", why=why)) from problem


def _refuse_others(options: dict[str, Any], others: dict[str, str]) -> None:
    given = [option for name, option in others.items() if options[name]]
    if given:
        raise click.UsageError(
            _(
                "%(option)s does not belong to that source; leave it out",
                option=", ".join(given),
            )
        )


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
    address = replace(
        address,
        username=address.username or settings.mqtt_username,
        password=address.password or settings.mqtt_password,
    )
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
    _print_counts(collect_mqtt(_watched(settings, stop), choices, stop))


def _collect_opcua(url: str, options: dict[str, Any], stop: threading.Event) -> None:
    from tracelog.intake.opcua_collector import OpcuaChoices, collect_opcua
    from tracelog.intake.opcua_link import read_url
    from tracelog.intake.opcua_map import CounterMap, read_map

    settings = load_settings()
    try:
        address = read_url(url)
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint="--opcua") from None
    only_list, path = options["only_list"], options["map_path"]
    if path is None and not only_list:
        raise click.UsageError(_("--opcua needs --map FILE; --list prints the nodes for it"))
    counters = read_map(path, needs_counters=not only_list) if path else CounterMap()
    password = settings.opcua_password
    if counters.security and counters.security.user and not password:
        raise TracelogError(
            _(
                "%(path)s names a user; set TRACELOG_OPCUA_PASSWORD to their password",
                path=path,
            )
        )
    if only_list:
        _list_opcua(address, counters, password, as_json=options["as_json"])
        return
    choices = OpcuaChoices(address, counters, password, once=options["once"])
    _print_counts(collect_opcua(_watched(settings, stop), choices, stop))


def _watched(settings: Settings, stop: threading.Event) -> "Engine":
    """The database, with signals brought up to date and notices sent while readings come in."""
    engine = open_database(settings)
    from tracelog.notices.running import Notifier
    from tracelog.trends.signals.watching import Watcher

    notifier = Notifier(engine, settings)
    notifier.start(stop)
    Watcher(engine, notifier.tell).look_every(_SIGNALS_SECONDS, stop)
    return engine


def _list_opcua(url: str, counters: "CounterMap", password: str | None, *, as_json: bool) -> None:
    from dataclasses import asdict

    from tracelog.intake.opcua_browse import list_numbers
    from tracelog.intake.own_loop import run_apart

    listed = run_apart(list_numbers(url, counters.security, password))
    if as_json:
        print_json({"nodes": [asdict(one) for one in listed.nodes], "complete": listed.is_whole})
        return
    rows = [(one.node, one.path, one.kind, one.value) for one in listed.nodes]
    print_table([_("Node"), _("Path"), _("Type"), _("Shows now")], rows)
    if not listed.is_whole:
        click.echo(_("The server has more nodes than are listed."), err=True)


def _print_counts(done: "Counter[str]") -> None:
    click.echo(
        _(
            "%(kept)d readings kept, %(known)d known before, %(rejected)d messages rejected",
            **done,
        )
    )


@contextmanager
def _log_on_stderr(settings: Settings) -> Iterator[None]:
    """What the collector says while it runs goes to stderr, a line each: JSON where that is set."""
    to_stderr = logging.StreamHandler(sys.stderr)
    to_stderr.setFormatter(JsonLines() if settings.log_format == "json" else _Line())
    ours = logging.getLogger("tracelog")
    before = ours.level
    ours.addHandler(to_stderr)
    ours.setLevel(level_of(settings.log_level))
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
