"""The command `tracelog measurements`: one chart of measured values, and its capability."""

from collections.abc import Sequence

import click

from tracelog.db import reading
from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.plant.queries import PlantView, directory, the_plant
from tracelog.terminal import as_of_option, json_option, open_database, print_json, print_table
from tracelog.trends.measured.answers import MeasureAnswer, measure_answer
from tracelog.trends.measured.charts import measured_chart
from tracelog.trends.measured.page import MeasurePage, measure_page
from tracelog.trends.measured.questions import known_measures, read_measure_question
from tracelog.trends.questions import BadChoice


@click.command(
    epilog="Example: tracelog measurements --characteristic thin-wall --machine 3-7 --target 0.092"
)
@click.option("--characteristic", help="What was measured, as in measurements.csv.")
@click.option("--from", "from_", metavar="T", help="Start: an instant, or a day as 2026-03-01.")
@click.option("--to", metavar="T", help="End: an instant, or a day, which is counted whole.")
@click.option("--line", help="Only this line.")
@click.option("--machine", help="Only this machine, such as 3-7.")
@click.option("--chart", metavar="KIND", help="auto, x-bar-r, x-bar-s, individuals, ewma, cusum.")
@click.option("--scale", help="auto, plain or log.")
@click.option("--lower", metavar="LIMIT", help="Lower specification limit, or none.")
@click.option("--target", help="The plant's own target.")
@click.option("--upper", metavar="LIMIT", help="Upper specification limit, or none.")
@click.option("--rules", metavar="SET", help="western-electric-1956 or nelson-1984.")
@click.option("--baseline-from", metavar="T", help="Start of what sets the limits.")
@click.option("--baseline-to", metavar="T", help="End of what sets the limits.")
@as_of_option
@json_option
def measurements(from_: str | None, as_json: bool, **single: str | None) -> None:
    """A control chart of one measured characteristic, and its capability.

    Without a period: the last 28 days of its values. Limits of the specification that are not
    given are starting defaults; the plant's own always win.
    """
    values: dict[str, Sequence[str]] = {
        name: [value] for name, value in {**single, "from": from_}.items() if value is not None
    }
    with reading(open_database()) as session:
        plant, places = the_plant(session), directory(session)
        known = known_measures(session, plant, places, now())
        try:
            question = read_measure_question(values, known)
        except BadChoice as problem:
            raise click.UsageError(_as_options(problem)) from None
        answer = measured_chart(session, question, places)
        if as_json:
            print_json(measure_answer(answer))
            return
        if not answer.points:
            raise TracelogError("; ".join(answer.notes))
        _print(answer, measure_page(answer, "", plant, places), plant)


def _as_options(problem: BadChoice) -> str:
    """What is wrong with a choice is wrong usage, told at its option."""
    return "\n".join(
        f"--{fault.field.replace('_', '-')}: {fault.sentence}" for fault in problem.faults
    )


def _print(answer: MeasureAnswer, page: MeasurePage, plant: PlantView) -> None:
    columns = ("point", "at", "machine", "values", "value", "limits", "spread", "its limits", "")
    rows = [
        (
            *(row.number, row.at, row.machine, row.size, row.value, row.limits),
            *(row.spread, row.spread_limits, row.remarks),
        )
        for row in page.rows
    ]
    title = f"{page.name}, {page.unit}, {page.scope}: {page.kind}, centre {page.centre}"
    print_table(columns, rows, title=title)
    if page.indices:
        indices = [(row.name, row.value, row.interval, row.means) for row in page.indices]
        print_table(("index", "value", "95 % interval", "what it is"), indices)
    told = [f"{name}, {pattern}: points {points}" for name, pattern, points in page.patterns]
    frozen = answer.frozen
    if frozen is not None:
        when = frozen.frozen_at.astimezone(plant.zone)
        told.append(f"baseline frozen by {frozen.frozen_by} on {when:%Y-%m-%d}: {frozen.reason}")
    for note in (page.why, *told, page.limits_say, *page.capability_says, *page.notes):
        click.echo(note, err=True)
