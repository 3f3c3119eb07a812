"""The command `tracelog explain`: what most likely lies behind a defect's rate."""

import click

from tracelog.cases.explain.answers import caution, explain_answer, explain_rows
from tracelog.cases.explain.explaining import explain as explain_defect
from tracelog.cases.explain.questions import question
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
    epilog="Example: tracelog explain --defect wall-split --from 2026-05-04 --to 2026-06-28"
)
@click.option("--defect", required=True, metavar="CODE", help="Which kind of defect.")
@click.option("--from", "start", metavar="INSTANT", help="Start; usually eight weeks before.")
@click.option("--to", "end", metavar="INSTANT", help="End; usually now.")
@as_of_option
@json_option
def explain(
    defect: str, start: str | None, end: str | None, as_of: str | None, as_json: bool
) -> None:
    """Ranked explanations of a defect: machine, tool, coil, crew, change, or nothing special.

    Every cause is weighed by one formula; the probabilities add up to one. What was before the
    period tells what is usual.
    """
    with reading(open_database()) as session:
        plant, places = the_plant(session), directory(session)
        zone = plant.zone
        asked = question(
            session,
            defect,
            instant_option(start, zone, "--from"),
            instant_option(end, zone, "--to", ends=True),
            now(),
            instant_option(as_of, zone, "--as-of"),
        )
        answer = explain_defect(session, plant, places, asked)
    if as_json:
        print_json(explain_answer(answer, zone))
        return
    whole = answer.whole
    period = f"{show_instant(asked.start, zone)} to {show_instant(asked.end, zone)}"
    print_table(
        ("", "chance", "what", "times the usual rate", "since", "cans", "strokes"),
        explain_rows(answer, zone),
        title=f"{defect}, {period}: {whole.cans:,} cans in {whole.strokes:,} strokes",
    )
    click.echo(f"nothing special: {answer.nothing:.1%}; {answer.causes:,} causes were weighed")
    for one in answer.apart[:1]:
        click.echo(f"would tell the first two apart: {one.sentence}")
    click.echo(caution(), err=True)
