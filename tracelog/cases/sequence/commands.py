"""The command `tracelog sequence`: whether bad cans repeat in a row taken in order."""

from typing import Any

import click

from tracelog.cases.sequence.answering import weigh_row
from tracelog.cases.sequence.answers import row_answer
from tracelog.cases.sequence.facts import RowFact
from tracelog.db import reading
from tracelog.plant.part_queries import station_parts
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import json_option, open_database, print_json, print_table


@click.command(
    "sequence", epilog="Example: tracelog sequence --line 1 --after necker --taken 48 --bad 4,16,28"
)
@click.argument("cans", required=False)
@click.option("--line", metavar="LINE", required=True, help="The line.")
@click.option(
    "--after", metavar="STATION", required=True, help="The station behind which they were taken."
)
@click.option("--taken", metavar="CANS", help="How many were taken, instead of the letters.")
@click.option("--bad", metavar="PLACES", help="Which of them were bad, such as 4,16,28.")
@click.option("--unseen", metavar="PLACES", help="Which of them nobody looked at.")
@json_option
def sequence(cans: str | None, line: str, after: str, as_json: bool, **positions: Any) -> None:
    """Whether bad cans repeat every N cans, and which stations of the line have N parts.

    CANS has a letter for each can in order: g good, b bad, ? not looked at. Nothing is kept. An
    association, not a proof.
    """
    with reading(open_database()) as session:
        said = {"line": line, "taken_after": after, "cans": cans, **positions}
        fact = RowFact.read(said, the_plant(session).zone)
        directory(session).line(fact.line)
        parts = station_parts(session, fact.line)
    answer = row_answer(weigh_row(fact.line, fact.taken_after, fact.row, parts))
    if as_json:
        print_json(answer)
        return
    click.echo(answer["sentence"])
    rows: list[list[Any]] = [
        [one["every"], f"{one['probability']:.3f}", one["points_to"]] for one in answer["numbers"]
    ]
    rows += [
        ["chance", f"{answer['chance']:.3f}", ""],
        ["every can", f"{answer['every_can']:.3f}", ""],
    ]
    print_table(("every", "probability", "points to"), rows, title="Repeats")
    if answer["slip"] is not None:
        click.echo(answer["slip"]["sentence"])
    click.echo(f"Next: {answer['next']['sentence']}")
    click.echo(answer["caution"])
