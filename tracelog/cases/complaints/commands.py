"""The command `tracelog complaints`: what fillers and other customers complained of."""

import click

from tracelog.cases.complaints.answers import complaint_answer
from tracelog.cases.complaints.queries import ComplaintFilter, complaints
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


@click.command("complaints", epilog="Example: tracelog complaints --open --json")
@click.option("--open", "only_open", is_flag=True, help="Only those that are not closed.")
@click.option("--pallet", metavar="NUMBER", help="Only those of this pallet.")
@as_of_option
@json_option
def list_complaints(only_open: bool, pallet: str | None, as_of: str | None, as_json: bool) -> None:
    """Complaints with the hours until their first answer, the last written first."""
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        at = instant_option(as_of, zone, "--as-of") or now()
        found = complaints(session, ComplaintFilter(only_open or None, pallet), at)
    if as_json:
        print_json({"complaints": [complaint_answer(one, at) for one in found]})
        return
    rows = [
        [
            *(one.number, "open" if one.is_open else "closed"),
            show_instant(one.now.received_at, zone),
            f"{one.age(at).hours:.1f}",
            "late" if one.age(at).is_late else "",
            "yes" if one.age(at).is_answered else "no",
            *(one.now.code, one.now.pallet, one.now.defect),
            one.now.customer_reference,
        ]
        for one in found
    ]
    columns = (
        *("complaint", "state", "received", "hours", "", "answered", "code", "pallet", "defect"),
        "customer's reference",
    )
    print_table(columns, rows, title="Complaints")
