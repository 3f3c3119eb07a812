"""The command `tracelog cases`: what is looked into, and one case with all that is known of it."""

from pathlib import Path
from uuid import UUID

import click

from tracelog.cases.listing.queries import Asked, CaseFilter, Order, list_cases
from tracelog.cases.whole.answers import cases_answer, cases_sheet, whole_answer
from tracelog.cases.whole.packing import packed_case
from tracelog.cases.whole.queries import WholeCase, whole_case
from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import (
    json_option,
    open_database,
    print_json,
    print_table,
    write_file,
)
from tracelog.web.sheets import as_csv

MOST = 500
STATES = [one.value for one in Asked]


@click.group()
def cases() -> None:
    """Cases: what is looked into, what was done, and whether it held.

    Example: tracelog cases list --state watching
    """


@cases.command("list", epilog="Example: tracelog cases list --state unended --line 3 --json")
@click.option("--state", type=click.Choice(STATES), default="all", help="Usually all.")
@click.option("--line", type=int, metavar="N", help="Of this line and its machines.")
@click.option("--machine", metavar="L-N", help="Of this machine, such as 3-7.")
@click.option("--defect", metavar="CODE", help="Of this kind of defect.")
@click.option("--words", default="", help="All of them in the title or in a step.")
@click.option("--oldest", is_flag=True, help="The oldest first, not the newest.")
@click.option("--csv", "file", type=click.Path(path_type=Path), help="Write a file instead.")
@json_option
def list_them(
    state: str,
    line: int | None,
    machine: str | None,
    defect: str | None,
    words: str,
    oldest: bool,
    file: Path | None,
    as_json: bool,
) -> None:
    """The list with state and age, at most 500 cases."""
    with reading(open_database()) as session:
        places, zone = directory(session), the_plant(session).zone
        if line is not None:
            places.line(line)
        wanted = CaseFilter(
            Asked(state),
            line,
            None if machine is None else places.machine_named(machine).id,
            defect,
            tuple(words.split()),
            Order.OLDEST if oldest else Order.NEWEST,
        )
        page = list_cases(session, wanted, MOST)
    at = now()
    if as_json:
        print_json(cases_answer(page.cases, page.next_after, at))
    elif file is not None:
        write_file(file, as_csv(cases_sheet(page.cases, at, zone)).encode())
    else:
        rows = [
            [
                *(str(one.id), one.title, one.state.value, one.place, one.defect),
                *(show_instant(one.opened_at, zone), f"{one.age_days(at):.1f}"),
            ]
            for one in page.cases
        ]
        columns = ("id", "case", "state", "where", "defect", "opened", "days")
        print_table(columns, rows, title="Cases")
    if page.next_after is not None:
        click.echo(f"there are more; these are {MOST}", err=True)


@cases.command("show", epilog="Example: tracelog cases show 0197b1d0-0000-7000-8000-000000000001")
@click.argument("case_id", metavar="ID", type=click.UUID)
@click.option(
    "--archive",
    type=click.Path(path_type=Path),
    help="Write a ZIP file with the case and its pictures instead.",
)
@json_option
def show(case_id: UUID, archive: Path | None, as_json: bool) -> None:
    """One case: before against after, steps, links, cost, and earlier cases like it."""
    with reading(open_database()) as session:
        at = now()
        whole = whole_case(session, case_id, at)
        if archive is not None:
            write_file(archive, packed_case(session, whole, at))
            return
        zone = the_plant(session).zone
    if as_json:
        print_json(whole_answer(whole))
        return
    about, numbers = whole.standing.case, whole.standing.verification
    click.echo(f"{about.title}: {about.defect} on {about.place}, {about.state.value}")
    click.echo(
        f"before: {numbers.before.happenings:,} in {numbers.before.strokes:,} strokes;"
        f" after: {numbers.after.happenings:,} in {numbers.after.strokes:,}"
        f" ({numbers.verdict.value})"
    )
    if numbers.strokes_needed:
        click.echo(f"{numbers.strokes_needed:,} more strokes without it would show that it held")
    click.echo(_cost(whole))
    steps = [
        [show_instant(one.at, zone), one.kind, one.text, one.by, one.minutes_down or ""]
        for one in about.steps
    ]
    print_table(("at", "step", "what", "by", "minutes down"), steps, title="Steps")
    links = [[one.target.replace("_", " "), one.name] for one in whole.links if one.stands]
    print_table(("what", "which"), links, title="Belongs to it")
    causes = [
        [f"{one.share:.0%}", one.cause, one.check, "confirmed" if one.is_confirmed else ""]
        for one in whole.causes
    ]
    print_table(("share", "cause", "check that confirms it", ""), causes, title="Likely causes")
    similar = [
        [
            *(f"{one.likeness.score:.2f}", one.case.title, one.case.place),
            *(one.case.state.value, "" if one.fixed_by is None else one.fixed_by.text),
        ]
        for one in whole.similar
    ]
    columns = ("alike", "case", "where", "state", "what fixed it")
    print_table(columns, similar, title="This happened before")


def _cost(whole: WholeCase) -> str:
    cost = whole.cost
    told = [f"cost: {cost.cans:,} cans in {cost.strokes:,} strokes"]
    if cost.above_usual is not None:
        told.append(f"{cost.above_usual:,.0f} above the usual")
    if cost.minutes_down is not None:
        told.append(f"{cost.minutes_down:,} minutes down")
    told.append(f"{cost.pallets:,} pallets on hold")
    return ", ".join(told)
