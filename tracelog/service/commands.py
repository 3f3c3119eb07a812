"""The command `tracelog forecast`."""

import click

from tracelog.db import reading
from tracelog.instants import now
from tracelog.plant.queries import the_plant
from tracelog.service.answers import forecast_answer
from tracelog.service.queries import service_standings
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)


@click.command(epilog="Example: tracelog forecast --as-of 2026-05-01T06:00")
@as_of_option
@json_option
def forecast(as_of: str | None, as_json: bool) -> None:
    """When each machine's services fall due, from its recent mean use.

    The interval between early and late holds the due date with a chance of 80 %.
    """
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        moment = instant_option(as_of, zone, "--as-of") or now()
        answer = forecast_answer(service_standings(session, moment), moment)
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
