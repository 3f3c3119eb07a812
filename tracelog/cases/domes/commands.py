"""The command `tracelog domes`: whether a handful of bad cans suggests one machine."""

from typing import Any

import click

from tracelog.cases.domes.answers import domes_answer
from tracelog.cases.domes.checking import check_domes
from tracelog.cases.domes.facts import DomesFact
from tracelog.cases.domes.wording import chance_words
from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)


@click.command(
    "domes", epilog="Example: tracelog domes 3-7 3-7 3-2 3-7 --found-at light-tester --json"
)
@click.argument("codes", nargs=-1, required=True, metavar="CODE...")
@click.option("--seen-at", metavar="INSTANT", help="When the last was found; left out: now.")
@click.option("--seen-from", metavar="INSTANT", help="When the first was found.")
@click.option("--found-at", metavar="STATION", help="At which station they were found.")
@click.option("--made-from", metavar="INSTANT", help="Instead: the first instant of making.")
@click.option("--made-to", metavar="INSTANT", help="And the last.")
@as_of_option
@json_option
def domes(codes: tuple[str, ...], as_of: str | None, as_json: bool, **times: Any) -> None:
    """Whether bad cans suggest one machine, by the exact chance of so uneven a spread.

    CODE is the code of one can, such as 3-7, or of several, such as 3-7x2. A suggestion, not a
    proof.
    """
    with reading(open_database()) as session:
        plant = the_plant(session)
        at = instant_option(as_of, plant.zone, "--as-of") or now()
        fact = DomesFact.read({"codes": " ".join(codes), **times}, plant.zone)
        answer = check_domes(session, plant, directory(session), fact, at)
    told = domes_answer(answer)
    if as_json:
        print_json(told)
        return
    click.echo(told["sentence"])
    click.echo(f"Next: {told['next']}")
    for note in told["notes"]:
        click.echo(note)
    start, end = (show_instant(one, plant.zone) for one in (answer.made_from, answer.made_to))
    rows = [
        [one.machine, one.cans, one.strokes, chance_words(one.share), f"{one.expected:.1f}"]
        for one in answer.machines
    ]
    columns = ("machine", "bad cans", "strokes", "share", "expected")
    print_table(columns, rows, title=f"Made from {start} to {end} ({answer.basis})")
    click.echo(told["caution"])
