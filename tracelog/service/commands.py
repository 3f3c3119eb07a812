"""The command `tracelog forecast`."""

from collections.abc import Sequence
from datetime import datetime

import click

from tracelog.db import reading
from tracelog.instants import now
from tracelog.plant.queries import the_plant
from tracelog.service.answers import backtest_answer, forecast_answer
from tracelog.service.backtest import Score, scores
from tracelog.service.queries import service_standings
from tracelog.service.replaying import BURN_IN_DAYS, STEP_DAYS, backtest
from tracelog.service.tool_standings import tool_standings
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)


@click.command(epilog="Example: tracelog forecast --as-of 2026-05-01T06:00")
@click.option("--backtest", "again", is_flag=True, help="How forecasts of the past did.")
@as_of_option
@json_option
def forecast(again: bool, as_of: str | None, as_json: bool) -> None:
    """When each machine's services fall due, from how it ran lately.

    The interval between early and late holds the due date with a chance of 80 %. With --backtest
    forecasts are made anew at many instants of the past, and held against what came: the share of
    intervals that held, and the median error beside two naive forecasts.
    """
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        moment = instant_option(as_of, zone, "--as-of") or now()
        if again:
            found = scores(backtest(session, moment))
        else:
            standings = service_standings(session, moment)
            answer = forecast_answer(standings, tool_standings(session, moment), moment)
    if again:
        _print_scores(found, moment, as_json)
        return
    if as_json:
        print_json(answer)
        return
    print_table(
        ("machine", "service", "strokes since", "interval", "per day", "early", "due", "late"),
        (
            (
                row["machine"],
                row["service"],
                row["strokes_since"],
                row["interval_strokes"],
                row["strokes_per_day"],
                row["due_early"],
                row["due"],
                row["due_late"],
            )
            for row in answer["machines"]
        ),
        title=f"Services due, as of {moment.astimezone(zone):%Y-%m-%d %H:%M}",
    )


def _print_scores(found: Sequence[Score], moment: datetime, as_json: bool) -> None:
    answer = backtest_answer(found, moment)
    if as_json:
        print_json(answer)
        return
    if not found:
        days = BURN_IN_DAYS + STEP_DAYS + 1
        click.echo(
            f"There is too little history to hold forecasts against: readings of {days} days and "
            "more are needed."
        )
        return
    print_table(
        ("forecast", "cases", "held", "error days", "last 7 days", "rated speed", "ratio"),
        (
            (
                row["group"],
                row["count"],
                f"{row['coverage']:.0%}",
                *(
                    None if row[name] is None else f"{row[name]:.2f}"
                    for name in ("error_days", "error_last_7_days", "error_rated_speed", "ratio")
                ),
            )
            for row in answer["scores"]
        ),
        title="Forecasts of the past: 80 % intervals that held, median errors in days",
    )
