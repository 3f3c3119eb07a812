"""The command `tracelog rates`: rates, and with `--chart` a control chart."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from zoneinfo import ZoneInfo

import click
from sqlalchemy.orm import Session

from tracelog.db import reading
from tracelog.errors import TracelogError
from tracelog.instants import now, show_instant
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import as_of_option, json_option, open_database, print_json, print_table
from tracelog.trends.answers import (
    ChartAnswer,
    ChartPoint,
    RateRow,
    Rates,
    chart_answer,
    rates_answer,
)
from tracelog.trends.queries import known_words
from tracelog.trends.questions import BadChoice, read_chart_question, read_rate_question
from tracelog.trends.rates import rates as rates_of
from tracelog.trends.rules import Evidence
from tracelog.trends.series.events import chart_with_events
from tracelog.trends.wording import FRACTION, STROKES, rate_unit, unit_words

_CHART_ONLY = ("baseline_from", "baseline_to", "exclude", "rules")


@click.command(epilog="Example: tracelog rates --defect split --by machine --from 2026-03-01")
@click.option("--defect", multiple=True, help="Kind of defect; again for more, none for all.")
@click.option(
    "--by",
    metavar="WORD[,WORD]",
    help="machine (usual), line, defect, plant, tool, tool-type, coil, crew, shift, hour or"
    " station; two of them with a comma between.",
)
@click.option("--from", "from_", metavar="T", help="Start: an instant, or a day as 2026-03-01.")
@click.option("--to", metavar="T", help="End: an instant, or a day, which is counted whole.")
@click.option("--line", help="Only this line.")
@click.option("--machine", help="Only this machine, such as 3-7.")
@click.option("--bucket", help="Also by hour, shift, day, week, month or quarter.")
@click.option("--evidence", help="production (usual) or samples.")
@click.option("--chart", "chart_kind", metavar="KIND", help="A control chart: auto, u, p, gaps …")
@click.option("--baseline-from", metavar="T", help="Chart: start of what sets the limits.")
@click.option("--baseline-to", metavar="T", help="Chart: end of what sets the limits.")
@click.option(
    "--exclude", multiple=True, metavar="T", help="Chart: start of a point that sets no limits."
)
@click.option("--rules", metavar="SET", help="Chart: western-electric-1956 or nelson-1984.")
@as_of_option
@json_option
def rates(
    defect: tuple[str, ...],
    from_: str | None,
    chart_kind: str | None,
    exclude: tuple[str, ...],
    as_json: bool,
    **single: str | None,
) -> None:
    """Defects per million strokes with exact intervals, or bad cans per million inspected.

    Without a period: the last 28 days of data. Tools, coils, crews, shifts and hours have exactly
    the strokes that were made while they were on. Charts are auto, which takes the kind that fits,
    u, c, laney-u, p, np, laney-p, and for what is rare gaps, gaps-power and g. Samples are charted
    one by one unless a bucket is given. A frozen baseline of the series sets a chart's limits
    unless another is given.
    """
    values: dict[str, Sequence[str]] = {
        name: [value] for name, value in single.items() if value is not None
    }
    given = {"defect": defect, "from": _list(from_), "chart": _list(chart_kind), "exclude": exclude}
    values |= {name: some for name, some in given.items() if some}
    with reading(open_database()) as session:
        if chart_kind is None:
            _print_rates(session, values, as_json)
        else:
            _print_chart(session, values, as_json)


@contextmanager
def _as_options() -> Iterator[None]:
    """What is wrong with a choice is wrong usage, told at its option."""
    try:
        yield
    except BadChoice as problem:
        lines = (f"--{fault.field.replace('_', '-')}: {fault.sentence}" for fault in problem.faults)
        raise click.UsageError("\n".join(lines)) from None


def _list(value: str | None) -> list[str]:
    return [] if value is None else [value]


def _print_rates(session: Session, values: dict[str, Sequence[str]], as_json: bool) -> None:
    lonely = [name for name in _CHART_ONLY if name in values]
    if lonely:
        option = lonely[0].replace("_", "-")
        raise click.UsageError(f"--{option} belongs to a chart; add --chart auto")
    plant, places = the_plant(session), directory(session)
    known = known_words(session, plant, places, now())
    with _as_options():
        question = read_rate_question(values, known)
    answer = rates_of(session, question, plant, places)
    if as_json:
        print_json(rates_answer(answer))
        return
    _print_rates_table(answer, plant.zone)


def _print_rates_table(answer: Rates, zone: ZoneInfo) -> None:
    question = answer.question
    exposure = "strokes" if question.evidence is Evidence.PRODUCTION else "inspected"
    told_apart = [by.value for by in question.told_apart]
    columns = [*told_apart, "found", "cans", exposure, "rate", "low", "high"]
    columns += ["shrunk", "worst"] if answer.are_compared else []
    if question.bucket is not None:
        columns.insert(len(told_apart), question.bucket.value)
    rows = [_cells(row, answer, zone) for row in (*answer.rows, answer.together)]
    period = f"{show_instant(question.start, zone)} to {show_instant(question.end, zone)}"
    print_table(columns, rows, title=f"{rate_unit(question.evidence)}, {period}")
    for note in (*answer.notes, *_row_notes(answer)):
        click.echo(note, err=True)


def _cells(row: RateRow, answer: Rates, zone: ZoneInfo) -> list[str]:
    many = len(answer.question.told_apart)
    # All together has one name, whatever the rows are told apart by.
    names = row.names or (row.name, *[""] * (many - 1))
    cells = [*names, f"{row.counted:,}", f"{row.cans:,}", f"{row.exposure:,}"]
    cells += [_number(value) for value in (row.per_million, row.low, row.high)]
    if answer.are_compared:
        worst = row.probability_worst
        cells += [_number(row.shrunk), "" if worst is None else f"{worst:.3f}"]
    if answer.question.bucket is not None:
        cells.insert(many, show_instant(row.start, zone))
    return cells


def _row_notes(answer: Rates) -> list[str]:
    return [f"{row.name}: {row.note}" for row in answer.rows if row.note]


def _number(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _print_chart(session: Session, values: dict[str, Sequence[str]], as_json: bool) -> None:
    if "by" in values:
        raise click.UsageError("--by belongs to rates; a chart is of one machine, line or plant")
    plant, places = the_plant(session), directory(session)
    known = known_words(session, plant, places, now())
    with _as_options():
        question = read_chart_question(values, known)
    answer = chart_with_events(session, question, plant, places)
    if as_json:
        print_json(chart_answer(answer))
        return
    if not answer.points:
        raise TracelogError("; ".join(answer.notes))
    _print_chart_table(answer, plant.zone)


def _print_chart_table(answer: ChartAnswer, zone: ZoneInfo) -> None:
    columns = ("point", "from", "count", "exposure", "value", "lower", "upper", "")
    digits = _digits(answer)
    rows = [
        (
            point.number,
            show_instant(point.start, zone),
            f"{point.count:,}",
            f"{point.exposure:,}",
            digits(point.value),
            digits(point.lower),
            digits(point.upper),
            _remarks(point),
        )
        for point in answer.points
    ]
    title = f"{answer.kind} chart, {unit_words(answer.unit)}, centre {digits(answer.centre)}"
    print_table(columns, rows, title=title)
    told = [f"{one.name}, {one.pattern}" for one in answer.rules if one.places]
    frozen = answer.frozen_in_use
    if frozen is not None:
        when = show_instant(frozen.frozen_at, zone)
        told.append(f"baseline frozen by {frozen.frozen_by} on {when}: {frozen.reason}")
    for note in (answer.why, *told, *answer.notes):
        click.echo(note, err=True)


def _remarks(point: ChartPoint) -> str:
    told = ["outside"] if point.is_outside else []
    # "Nelson 1984 rule 2" is said in full below the table.
    told += [f"rule {name.split()[-1]}" for name in point.rules]
    if not point.is_baseline:
        told.append("left out")
    return ", ".join(told)


def _digits(answer: ChartAnswer) -> Callable[[float | None], str]:
    places = {FRACTION: 5, STROKES: 0}.get(answer.unit, 3)
    return lambda value: "" if value is None else f"{value:,.{places}f}"
