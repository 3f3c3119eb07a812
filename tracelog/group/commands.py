"""The command `tracelog group`: a group of plants, and how a plant is joined to it."""

import click
from sqlalchemy import Engine

from tracelog.config import Settings, load_settings
from tracelog.db import make_engine, revision_of, upgrade
from tracelog.errors import TracelogError
from tracelog.group.answers import (
    overview_answer,
    overview_sheet,
    rates_answer,
    rates_sheet,
    signals_answer,
    signals_sheet,
)
from tracelog.group.asking import ask, plants_asked
from tracelog.group.link_actions import publish, subscribe, unsubscribe
from tracelog.group.queries import plant_now, plant_rate, signals_now
from tracelog.group.questions import period_of_options
from tracelog.instants import now
from tracelog.language import _
from tracelog.terminal import json_option, open_database, print_json, print_table
from tracelog.web.sheets import Sheet, cell_value


@click.group("group", epilog="Example: tracelog group overview")
def group() -> None:
    """Several plants in one view: how they stand, rates by plant, and how they are joined.

    The plants are those of the file that TRACELOG_GROUP names.
    """


def _plant_option(command: click.decorators.FC) -> click.decorators.FC:
    return click.option("--plant", metavar="NAME", help="Only this plant.")(command)


@group.command("overview", epilog="Example: tracelog group overview --plant north")
@_plant_option
@json_option
def overview(plant: str | None, as_json: bool) -> None:
    """How each plant stands: lines, services, holds, signals, and how old its data are."""
    at = now()
    told = ask(plants_asked(load_settings(), plant), plant_now(at))
    if as_json:
        print_json(overview_answer(told, at))
    else:
        _print(overview_sheet(told))


@group.command("rates", epilog="Example: tracelog group rates --defect split --from 2026-03-01")
@_plant_option
@click.option("--defect", multiple=True, help="Kind of defect; again for more, none for all.")
@click.option("--from", "from_", metavar="T", help="Start: a day of UTC, or an instant.")
@click.option("--to", metavar="T", help="End: a day of UTC, which is counted whole, or an instant.")
@json_option
def rates(
    plant: str | None, defect: tuple[str, ...], from_: str | None, to: str | None, as_json: bool
) -> None:
    """Defects per million strokes by plant, with exact intervals, and of all together."""
    at = now()
    period = period_of_options(from_, to, at)
    plants = plants_asked(load_settings(), plant)
    told = ask(plants, plant_rate(defect, period.start, period.end, at))
    if as_json:
        print_json(rates_answer(told, defect, period.start, period.end))
    else:
        _print(rates_sheet(told))


@group.command("signals", epilog="Example: tracelog group signals --json")
@_plant_option
@json_option
def signals(plant: str | None, as_json: bool) -> None:
    """Signals that are on in all plants."""
    at = now()
    told = ask(plants_asked(load_settings(), plant), signals_now)
    if as_json:
        print_json(signals_answer(told, at))
    else:
        _print(signals_sheet(told))


@group.command("publish", epilog="Example: tracelog group publish")
def publish_plant() -> None:
    """At a plant: offer its facts to the centre, without accounts, tokens, PINs and keys.

    Again after each upgrade, so that new tables are offered too.
    """
    tables = publish(open_database())
    click.echo(_("published: %(tables)s", tables=", ".join(tables)))


@group.command(
    "subscribe",
    epilog='Example: tracelog group subscribe north --from "host=north-db dbname=tracelog'
    ' user=group password=…"',
)
@click.argument("plant")
@click.option(
    "--from",
    "source",
    required=True,
    metavar="CONNECTION",
    help="How the centre's server reaches the plant's database, as libpq writes it.",
)
def subscribe_plant(plant: str, source: str) -> None:
    """At the centre: let the database of PLANT follow what the plant publishes.

    Makes the tables where there are none. Again with another connection to change it, and after
    each upgrade for new tables.
    """
    centre = _centre(load_settings(), plant)
    upgrade(centre)
    made = subscribe(centre, plant, source, _revision_there(source))
    click.echo(
        _("%(plant)s is followed from now on; its tables are copied first", plant=plant)
        if made
        else _("%(plant)s is followed by the new connection, with new tables", plant=plant)
    )


@group.command("unsubscribe", epilog="Example: tracelog group unsubscribe north")
@click.argument("plant")
@click.option(
    "--plant-is-gone", is_flag=True, help="Its server does not come back; its slot is left there."
)
def unsubscribe_plant(plant: str, plant_is_gone: bool) -> None:
    """At the centre: follow PLANT no longer; what it said so far stays."""
    unsubscribe(_centre(load_settings(), plant), plant, plant_is_gone=plant_is_gone)
    click.echo(_("%(plant)s is followed no longer", plant=plant))


def _centre(settings: Settings, plant: str) -> Engine:
    engine = make_engine(plants_asked(settings, plant)[0].database_url)
    if context := click.get_current_context(silent=True):
        context.call_on_close(engine.dispose)
    if engine.dialect.name != "postgresql":
        raise TracelogError(_("plants are joined to a group by PostgreSQL, not by SQLite"))
    return engine


def _revision_there(source: str) -> str:
    """The version of the plant's tables, read over the connection that replication will use."""
    import psycopg
    from sqlalchemy import NullPool, create_engine

    engine = create_engine(
        "postgresql+psycopg://",
        creator=lambda: psycopg.connect(source, connect_timeout=10),
        poolclass=NullPool,
    )
    try:
        with engine.connect() as connection:
            return revision_of(connection)
    except Exception as problem:
        why = " ".join(str(getattr(problem, "orig", problem)).split())
        raise TracelogError(
            _("the plant's database cannot be reached by --from: %(why)s", why=why)
        ) from problem


def _print(sheet: Sheet) -> None:
    rows = [[_cell(cell_value(cell, sheet.zone)) for cell in row] for row in sheet.rows]
    print_table(sheet.columns, rows, title=sheet.title)


def _cell(value: object) -> object:
    if isinstance(value, float):
        return f"{value:,.3g}"
    return f"{value:,}" if isinstance(value, int) else value
