"""The command `tracelog signals`: rates that left their baseline."""

from zoneinfo import ZoneInfo

import click
from sqlalchemy import Engine

from tracelog.db import reading, writing
from tracelog.instants import now, show_instant
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import (
    as_of_option,
    command_actor,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)
from tracelog.trends.signals.actions import set_budget
from tracelog.trends.signals.answers import lately, signals_answer
from tracelog.trends.signals.facts import BudgetFact
from tracelog.trends.signals.queries import Signals, kept_epoch, kept_signals, signals_then
from tracelog.trends.signals.watching import bring_up_to_date


@click.command(epilog="Example: tracelog signals --as-of 2026-06-30T06:00 --json")
@click.option("--since", metavar="T", help="Also those that ended since then; usually 4 weeks.")
@click.option("--budget", metavar="N", help="Set how many false signals a week are accepted.")
@click.option("--reason", help="Why the budget is set; needed with --budget.")
@as_of_option
@json_option
def signals(
    since: str | None, budget: str | None, reason: str | None, as_of: str | None, as_json: bool
) -> None:
    """Rates that left their baseline: since when, from what to what, and by which evidence.

    Works out what came in since the last time, keeps it, and shows what is on or ended in the
    last four weeks. With --as-of everything is worked out from what was known by then.
    """
    engine = open_database()
    if budget is not None:
        _set_budget(engine, budget, reason)
    elif reason is not None:
        raise click.UsageError("--reason belongs to --budget")
    if as_of is None:
        bring_up_to_date(engine, now())
    with reading(engine) as session:
        plant, places = the_plant(session), directory(session)
        first = instant_option(since, plant.zone, "--since")
        at = instant_option(as_of, plant.zone, "--as-of")
        if at is None:
            found = Signals(tuple(kept_signals(session, places)), kept_epoch(session), now())
        else:
            found = signals_then(session, plant, places, at)
    answer = lately(found, first)
    if as_json:
        print_json(signals_answer(answer))
        return
    rows = [
        [
            *(one.machine.text, one.defect or "any", one.kind.value),
            *(show_instant(one.raised_at, plant.zone), show_instant(one.since, plant.zone)),
            _number(one.baseline_per_million),
            _number(one.rate_per_million),
            f"{one.count:,}",
            "open" if one.is_open else _why_closed(one.ended_at is None),
        ]
        for one in answer.signals
    ]
    columns = ("machine", "defect", "kind", "raised", "since", "baseline", "rate", "found", "")
    print_table(columns, rows, title="Signals, per million strokes")
    if answer.epoch is None:
        click.echo("nothing is watched yet: two weeks of strokes come first", err=True)
        return
    limits = ", ".join(
        f"{kind.value} {limit:.1f}" for kind, limit in sorted(answer.epoch.thresholds.items())
    )
    click.echo(
        f"thresholds: {limits}, for {answer.epoch.false_signals_a_week:g} false signals a week in"
        f" {answer.epoch.series:,} series",
        err=True,
    )


def _set_budget(engine: Engine, budget: str, reason: str | None) -> None:
    fact = BudgetFact.read(
        {"false_signals_a_week": budget, "reason": reason or ""}, ZoneInfo("UTC")
    )
    with writing(engine) as session:
        set_budget(session, fact, command_actor(), now())


def _why_closed(is_on: bool) -> str:
    return "dismissed" if is_on else "over"


def _number(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"
