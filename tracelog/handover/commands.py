"""The command `tracelog handover`: the shift's page, or the week's, on a terminal."""

import click

from tracelog.db import reading
from tracelog.facts import read_day
from tracelog.handover.answers import shift_answer
from tracelog.handover.queries import ShiftPage, shift_page
from tracelog.handover.signing.answers import signed_answer
from tracelog.handover.signing.queries import Signatures, signatures_of
from tracelog.handover.weekly.answers import week_answer
from tracelog.handover.weekly.queries import WeekPage, week_page
from tracelog.instants import now, show_instant
from tracelog.plant.queries import PlantView, the_plant
from tracelog.terminal import (
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)


@click.command("handover", epilog="Example: tracelog handover --week 2026-03-02")
@click.option("--shift", "at", metavar="INSTANT", help="The shift that holds it; else the present.")
@click.option("--week", "day", metavar="DAY", help="The review of the week that holds the day.")
@json_option
def handover(at: str | None, day: str | None, as_json: bool) -> None:
    """What a shift hands over, or what changed most in a week, by evidence."""
    if at is not None and day is not None:
        raise click.UsageError("give --shift or --week, not both")
    moment = now()
    with reading(open_database()) as session:
        plant = the_plant(session)
        if day is not None:
            try:
                chosen = read_day(day)
            except ValueError as problem:
                raise click.BadParameter(str(problem), param_hint="--week") from None
            week = week_page(session, plant, chosen, moment)
        else:
            asked = instant_option(at, plant.zone, "--shift") or moment
            shift = shift_page(session, plant, min(asked, moment), moment)
            started_at = shift.shift.started_at
            signed = signatures_of(session, [started_at])[started_at]
    if day is not None:
        print_json(week_answer(week)) if as_json else _print_week(week)
    elif as_json:
        print_json({**shift_answer(shift), "signed": signed_answer(signed, shift)})
    else:
        _print_shift(shift, signed, plant)


def _print_week(page: WeekPage) -> None:
    click.echo(f"week from Monday {page.week.monday}; {page.compared} series compared")
    for place, one in enumerate(page.items, 1):
        click.echo(f"{place}. {one.sentence} ({one.sure})")
    if not page.items:
        click.echo("nothing changed beyond chance")
    rows = [
        [
            *(one.name, f"{one.strokes:,}", _whole(one.usual_strokes), f"{one.entries:,}"),
            *(f"{one.cans:,}", _whole(one.spoilage), _whole(one.usual_spoilage)),
        ]
        for one in page.lines
    ]
    columns = ("line", "strokes", "usual", "entries", "cans", "per million", "usual per million")
    print_table(columns, rows, title="Lines")


def _print_shift(page: ShiftPage, signed: Signatures, plant: PlantView) -> None:
    shift = page.shift
    click.echo(
        f"{shift.shift} shift of {shift.day}, crew {shift.crew or '-'},"
        f" {show_instant(shift.started_at, plant.zone)} to"
        f" {show_instant(shift.ended_at, plant.zone)}: {signed.state.value}"
    )
    for note in page.notes:
        if note.settled_at is None:
            click.echo(f"{note.about}: {note.text}")
    rows = [
        [
            *(one.name, f"{one.strokes:,}", _whole(one.strokes_per_hour)),
            *(_whole(one.usual_per_hour), one.entries, one.cans),
            *(_whole(one.spoilage.rate), _whole(one.spoilage.usual)),
        ]
        for one in page.lines
    ]
    columns = ("line", "strokes", "an hour", "usual", "entries", "cans", "per million", "usual")
    print_table(columns, rows, title="Lines")
    for said in (one.says for one in page.moved.signals):
        click.echo(said)
    for case in page.moved.cases:
        click.echo(f"case {case.case.title}: {', '.join(case.happened)}")
    for hold in page.moved.holds:
        click.echo(f"hold {hold.hold.number}: {hold.held} pallets held, {hold.hold.reason}")
    for due in page.moved.due:
        word = "overdue" if due.is_overdue else "due within a day"
        click.echo(f"{due.standing.level.service} on {due.standing.machine.text}: {word}")


def _whole(value: float | None) -> str:
    return "-" if value is None else f"{value:,.0f}"
