"""The command `tracelog counters`."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import click

from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.plant.queries import the_plant
from tracelog.strokes.answers import questions_answer
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)


@click.command(epilog="Example: tracelog counters --as-of 2026-05-01T06:00")
@click.option("--settled", is_flag=True, help="Tell what was settled too.")
@as_of_option
@json_option
def counters(settled: bool, as_of: str | None, as_json: bool) -> None:
    """What is open about counters: jumps that nobody has explained, and silences.

    "shown" is what the counter rose, or its fall as a roll-over; "likely" what the machine makes
    in such a time at its recent pace.
    """
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        moment = instant_option(as_of, zone, "--as-of") or now()
        answer = questions_answer(session, moment, settled=settled)
    if as_json:
        print_json(answer)
        return
    print_table(
        ("machine", "kind", "from", "to", "figure before", "figure after", "shown", "likely"),
        [
            (
                *(row["machine"], row["kind"]),
                *(_shown(row["from_at"], zone), _shown(row["to_at"], zone)),
                *(row["from_strokes"], row["to_strokes"]),
                *(row["strokes_shown"], row["strokes_estimated"]),
            )
            for row in answer["questions"]
        ],
        title=f"Open questions of counters, as of {show_instant(moment, zone)}",
    )
    if settled:
        _print_settled(answer["settled"], zone)


def _print_settled(rows: list[dict[str, Any]], zone: ZoneInfo) -> None:
    print_table(
        ("machine", "from", "to", "verdict", "strokes", "in force", "settled", "by", "note"),
        [
            (
                *(row["machine"], _shown(row["from_at"], zone), _shown(row["to_at"], zone)),
                *(row["verdict"], row["strokes"], "yes" if row["in_force"] else "no"),
                *(_shown(row["settled_at"], zone), row["settled_by"], row["note"]),
            )
            for row in rows
        ],
        title="Settled",
    )


def _shown(moment: datetime | None, zone: ZoneInfo) -> str | None:
    return None if moment is None else show_instant(moment, zone, seconds=True)
