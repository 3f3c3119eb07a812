"""Commands of the web room: serve, demo, upgrade."""

import ipaddress
import logging
import os
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from sqlalchemy import Engine

from tracelog.config import Settings, load_settings
from tracelog.db import is_current, make_engine, reading, upgrade
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.logs import begin_logging, server_configuration
from tracelog.terminal import demand_known, open_database
from tracelog.web.bodies import AT_ONCE as BODIES_AT_ONCE
from tracelog.web.counting import share_between_workers
from tracelog.web.serving import PROXIES_VARIABLE
from tracelog.web.stopping import give_last_call
from tracelog.web.turns import THREADS

if TYPE_CHECKING:
    from seed_demo.sizes import PlantSize

# After a signal to stop, requests under way have so long to be finished.
STOP_SECONDS = 30
# The first line and the headers of a request have so long to arrive.
HEADERS_SECONDS = 10
_SERVER_TARGET = "tracelog.web.serving:application"


def _host_option(command: Any) -> Any:
    return click.option(
        "--host", default="127.0.0.1", show_default=True, help="Address to listen on."
    )(command)


def _port_option(command: Any) -> Any:
    return click.option(
        "--port", type=click.IntRange(1, 65535), default=8000, show_default=True, help="Port."
    )(command)


def _workers_option(command: Any) -> Any:
    return click.option(
        "--workers", type=click.IntRange(1, 64), default=2, show_default=True, help="Processes."
    )(command)


@click.command()
@_host_option
@_port_option
@_workers_option
@click.option(
    "--behind-proxies",
    type=click.IntRange(0, 5),
    default=0,
    show_default=True,
    help="How many proxies of yours stand before the server; they must set X-Forwarded-*.",
)
@click.option(
    "--demo-beyond-loopback",
    is_flag=True,
    help="Let other machines reach the demo, whose sign-ins are printed on the screen.",
)
def serve(
    host: str, port: int, workers: int, behind_proxies: int, demo_beyond_loopback: bool
) -> None:
    """Serve the pages and the API.

    Example: tracelog serve --host 0.0.0.0 --port 8000 --workers 2
    """
    settings = load_settings()
    engine = open_database(settings)
    if not demo_beyond_loopback:
        _keep_demo_at_home(engine, host)
    engine.dispose()
    os.environ[PROXIES_VARIABLE] = str(behind_proxies)
    click.echo(_("tracelog answers at %(address)s", address=_address(host, port)))
    run_server(settings, host, port, workers)


def _keep_demo_at_home(engine: Engine, host: str) -> None:
    from tracelog.web.demo_state import DemoState, demo_state

    if is_loopback(host):
        return
    with reading(engine) as session:
        if demo_state(session) is not DemoState.NONE:
            raise TracelogError(
                _(
                    "this database is a demo, and anybody can read its sign-ins; serve it at"
                    " 127.0.0.1, or add --demo-beyond-loopback if that is what you want"
                )
            )


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _address(host: str, port: int) -> str:
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/"


def run_server(settings: Settings, host: str, port: int, workers: int) -> None:
    """Answer requests until stopped; those under way are finished first, for half a minute at most.

    Workers are processes of their own that read the settings from the environment; one that dies
    is started again.

    Raises:
        TracelogError: something else listens there already.
    """
    _require_free(host, port)
    os.environ["TRACELOG_DATA_DIR"] = str(settings.data_dir.absolute())
    os.environ["TRACELOG_DATABASE_URL"] = settings.database_url
    from granian import Granian
    from granian.constants import HTTPModes, Interfaces
    from granian.http import HTTP1Settings
    from granian.log import LogLevels

    begin_logging(settings.log_level, settings.log_format, service=True)
    share_between_workers(settings.data_dir.absolute() / f"figures-{port}")
    server = Granian(
        _SERVER_TARGET,
        factory=True,
        address=host,
        port=port,
        interface=Interfaces.WSGI,
        workers=workers,
        # Most of them only wait: for their turn (tracelog.web.turns), or for what is sent
        # (tracelog.web.bodies).
        blocking_threads=THREADS + BODIES_AT_ONCE,
        http1_settings=HTTP1Settings(header_read_timeout=HEADERS_SECONDS * 1000),
        # Without it a client could have requests of HTTP/2 wait, which have no such limit.
        http=HTTPModes.http1,
        respawn_failed_workers=True,
        workers_kill_timeout=STOP_SECONDS,
        websockets=False,
        log_level=LogLevels.warning,
        log_dictconfig=server_configuration(),
        process_name=None,
    )
    logging.getLogger("_granian").addFilter(_is_no_remark_on_threads)
    server.on_startup(give_last_call)
    server.serve()


def _is_no_remark_on_threads(record: logging.LogRecord) -> bool:
    # It takes every thread to be at work at once; most of ours only wait.
    return not record.getMessage().startswith("Configuration allows spawning up to")


def _require_free(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if sys.platform != "win32":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as problem:
            raise TracelogError(
                _(
                    "%(address)s cannot be listened on (%(why)s); choose another with --port",
                    address=_address(host, port),
                    why=problem.strerror,
                )
            ) from problem


@click.command("upgrade")
def upgrade_tables() -> None:
    """Bring the database's tables to this version of tracelog.

    Make a backup first; the whole upgrade is one transaction.

    Example: tracelog upgrade
    """
    engine = make_engine(load_settings().database_url)
    if is_current(engine):
        click.echo(_("The tables are of this version already."))
        return
    demand_known(engine)
    upgrade(engine)
    click.echo(_("The tables are of this version now."))


@click.command()
@click.option("--size", "preset", type=click.Choice(["demo", "small"]), default="demo")
@click.option("--lines", type=int, help="Number of lines.")
@click.option("--bodymakers", type=int, help="Bodymakers per line.")
@click.option("--days", type=int, help="Days of history.")
@click.option("--ends-on", metavar="DATE", help="Last day of the history; otherwise it ends now.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@_port_option
@_workers_option
@click.option("--no-serve", is_flag=True, help="Only make the database.")
@click.option("--fresh", is_flag=True, help="Throw an earlier demo away and make it anew.")
def demo(
    preset: str,
    lines: int | None,
    bodymakers: int | None,
    days: int | None,
    ends_on: str | None,
    seed: int,
    port: int,
    workers: int,
    no_serve: bool,
    fresh: bool,
) -> None:
    """Fill a database with an invented plant, print address and sign-ins, and serve it.

    The demo lies in TRACELOG_DATA_DIR, by default the folder demo-data; a second call serves the
    same one at once.

    Example: tracelog demo --size small --port 8080
    """
    from tracelog.web.demo import fill, make_room, sign_ins

    size = _size(preset, lines, bodymakers, days, ends_on)
    environment = dict(os.environ)
    environment.setdefault("TRACELOG_DATA_DIR", str(Path("demo-data").absolute()))
    settings = load_settings(environment)
    if not no_serve:
        _require_free("127.0.0.1", port)
    engine = make_engine(settings.database_url)
    if make_room(engine, fresh):
        click.echo(_("The demo is there already; --fresh makes it anew."))
    else:
        with _progress_bar() as progress:
            faults = fill(engine, size, seed, progress)
        click.echo(_("%(count)d faults are planted in it; can you find them?", count=len(faults)))
    people = sign_ins(engine, settings.data_dir)
    engine.dispose()
    click.echo()
    click.echo(_("Address   %(address)s", address=_address("127.0.0.1", port)))
    click.echo(_("Sign in as"))
    for name, secret in people.items():
        click.echo(f"  {name:<14} {secret}")
    if no_serve:
        click.echo(_("To serve it: tracelog demo --port %(port)d", port=port))
        return
    click.echo(_("Stop with Ctrl-C."))
    run_server(settings, "127.0.0.1", port, workers)


def _size(
    preset: str,
    lines: int | None,
    bodymakers: int | None,
    days: int | None,
    ends_on: str | None,
) -> "PlantSize":
    from seed_demo.sizes import SIZES

    usual = SIZES[preset]
    try:
        size = replace(
            usual,
            lines=usual.lines if lines is None else lines,
            bodymakers=usual.bodymakers if bodymakers is None else bodymakers,
            days=usual.days if days is None else days,
        )
        if ends_on is None:
            return size.ending_at(datetime.now(UTC))
        return replace(size, ends_on=date.fromisoformat(ends_on))
    except ValueError as problem:
        raise click.UsageError(str(problem)) from None


@contextmanager
def _progress_bar() -> Iterator[Any]:
    """Tells on a terminal how far it is; elsewhere one line for each step."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description:<32}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task(_("Making the demo"), total=1.0)
        told: set[str] = set()

        def progress(what: str, share: float) -> None:
            bar.update(task, description=what, completed=share)
            if not console.is_terminal and what not in told:
                told.add(what)
                click.echo(f"{what} ...", err=True)

        yield progress
