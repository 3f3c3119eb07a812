"""The command `tracelog audit`: who did what, when, by which door."""

from pathlib import Path

import click

from tracelog.db import reading
from tracelog.errors import TracelogError
from tracelog.instants import show_instant, zone_named
from tracelog.language import _
from tracelog.people.trail.answers import record_answer, record_line
from tracelog.people.trail.queries import TrailFilter, trail, whole_trail
from tracelog.people.trail.rules import DOORS
from tracelog.terminal import instant_option, json_option, open_database, print_json, print_table

_UTC = zone_named("UTC")


@click.command(epilog="Example: tracelog audit --words release --from 2026-03-01")
@click.option("--words", default="", help="All of them in what was done, to what, before or after.")
@click.option("--who", metavar="NAME", help="Who acted, the whole name.")
@click.option("--door", type=click.Choice(DOORS), help="By which door.")
@click.option("--kind", metavar="KIND", help="Of what it was done to, such as entry.")
@click.option("--from", "start", metavar="INSTANT", help="Written from then on; UTC.")
@click.option("--to", "end", metavar="INSTANT", help="Written before then; UTC.")
@click.option("--most", type=click.IntRange(1, 100_000), default=100, help="Usually 100.")
@click.option(
    "--jsonl",
    "file",
    type=click.Path(path_type=Path),
    help="Write all of them to a file, one JSON object on each line, in the order of the chain.",
)
@json_option
def audit(
    words: str,
    who: str | None,
    door: str | None,
    kind: str | None,
    start: str | None,
    end: str | None,
    most: int,
    file: Path | None,
    as_json: bool,
) -> None:
    """The audit trail: every write by any door, the newest first.

    Instants are UTC unless they have an offset.
    """
    with reading(open_database()) as session:
        wanted = TrailFilter(
            tuple(words.split()),
            *(who, door, kind),
            instant_option(start, _UTC, "--from"),
            instant_option(end, _UTC, "--to", ends=True),
        )
        if file is not None:
            try:
                with file.open("w", encoding="utf-8", newline="\n") as opened:
                    opened.writelines(record_line(one) for one in whole_trail(session, wanted))
            except OSError as problem:
                raise TracelogError(
                    _("%(path)s cannot be written: %(why)s", path=file, why=problem.strerror)
                ) from problem
            return
        found = trail(session, wanted, most)
    if as_json:
        print_json({"records": [record_answer(one) for one in found]})
        return
    rows = [
        [
            *(one.sequence, show_instant(one.at, _UTC), one.who, one.door, one.action),
            *(one.kind, one.subject),
        ]
        for one in found
    ]
    columns = ("number", "at", "who", "door", "what", "kind", "to what")
    print_table(columns, rows, title="Audit trail")
