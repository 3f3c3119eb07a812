"""The command `tracelog holds`: stock on hold."""

import click

from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.plant.queries import the_plant
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)
from tracelog.trace.holds.answers import age, hold_answer
from tracelog.trace.holds.queries import HoldFilter, holds


@click.command("holds", epilog="Example: tracelog holds --open   or   tracelog holds --pallet P-17")
@click.option("--open", "only_open", is_flag=True, help="Only those that are not closed.")
@click.option("--pallet", metavar="NUMBER", help="Only those in which this pallet is or was.")
@as_of_option
@json_option
def list_holds(only_open: bool, pallet: str | None, as_of: str | None, as_json: bool) -> None:
    """Stock on hold: pallets and cans, what is missing, and what was decided.

    An estimate is no release: the plant's quality authority decides.
    """
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        at = instant_option(as_of, zone, "--as-of") or now()
        found = holds(session, HoldFilter(only_open or None, pallet), at)
    if as_json:
        print_json({"holds": [hold_answer(one) for one in found]})
        return
    rows = [
        [
            *(one.number, "open" if one.is_open else "closed", f"{age(one, at):.0f}"),
            show_instant(one.raised_at, zone),
            one.raised_by,
            *(one.machine or one.line, one.defect, len(one.pallets), len(one.held)),
            f"{one.cans:,}",
            len(one.missing),
            one.reason.splitlines()[0][:60],
        ]
        for one in found
    ]
    columns = (
        *("hold", "state", "hours", "raised", "by", "where", "defect", "pallets", "on hold"),
        *("cans on hold", "missing", "reason"),
    )
    print_table(columns, rows, title="Holds")
