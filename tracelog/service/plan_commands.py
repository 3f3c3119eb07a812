"""The command `tracelog plan`."""

from pathlib import Path
from typing import Any

import click

from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.language import _
from tracelog.plant.queries import the_plant
from tracelog.service.plan_answers import plan_answer
from tracelog.service.plan_files import plan_calendar, plan_sheet
from tracelog.service.plan_solver import TIME_LIMIT_SECONDS
from tracelog.service.planning_facts import LONGEST_HORIZON_DAYS, MOST_CREWS
from tracelog.service.plans import ServicePlan, asked_planning, plan_services
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
    write_file,
)
from tracelog.web.numbers import probability, short_count
from tracelog.web.sheets import as_csv

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command(epilog="Example: tracelog plan --crews 1 --horizon 60 --ics services.ics")
@click.option(
    "--crews",
    type=click.IntRange(1, MOST_CREWS),
    help="How many crews do services; without it as the plant has set.",
)
@click.option(
    "--horizon",
    type=click.IntRange(1, LONGEST_HORIZON_DAYS),
    metavar="DAYS",
    help="How many days ahead; without it as the plant has set.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(1, 3600),
    default=TIME_LIMIT_SECONDS,
    show_default=True,
    help="After so long the best plan so far is the answer.",
)
@click.option("--ics", type=_FILE, metavar="FILE", help="Write it as a calendar file too.")
@click.option("--csv", "table", type=_FILE, metavar="FILE", help="Write it as CSV too.")
@as_of_option
@json_option
def plan(
    crews: int | None,
    horizon: int | None,
    seconds: float,
    ics: Path | None,
    table: Path | None,
    as_of: str | None,
    as_json: bool,
) -> None:
    """Which machine is served on which day: the plan that costs least, and what is proven of it.

    One service for each crew at a time, one machine of a line at a time, nothing on days that
    are kept free, promised days kept. What has no day is told with the reason.
    """
    with reading(open_database()) as session:
        plant = the_plant(session)
        moment = instant_option(as_of, plant.zone, "--as-of") or now()
        found = plan_services(session, moment, asked_planning(session, crews, horizon), seconds)
    if ics is not None:
        write_file(ics, plan_calendar(found, plant.name))
    if table is not None:
        write_file(table, as_csv(plan_sheet(found, plant.zone)).encode())
    answer = plan_answer(found)
    if as_json:
        print_json(answer)
    else:
        _print(found, answer, show_instant(moment, plant.zone))


def _print(found: ServicePlan, answer: dict[str, Any], moment: str) -> None:
    print_table(
        [
            *(_("Date"), _("Machine"), _("Service"), _("Crew"), _("Due"), _("Unused")),
            *(_("Late by then"), ""),
        ],
        (
            (
                row["date"],
                row["machine"],
                row["service"],
                " ".join(str(crew) for crew in row["crews"]),
                row["due"],
                short_count(row["strokes_unused"]),
                probability(row["chance_late"]),
                " ".join(_marks(row)),
            )
            for row in answer["services"]
        ),
        title=_("Services planned, as of %(moment)s", moment=moment),
    )
    click.echo(what_is_proven(found))
    for one in answer["not_placed"]:
        click.echo(
            _(
                "Not placed: %(machine)s %(service)s, due %(due)s: %(why)s",
                machine=one["machine"],
                service=one["service"],
                due=one["due"],
                why=one["why"],
            )
        )
    for one in answer["pins_not_kept"]:
        click.echo(
            _(
                "Promised and not kept: %(machine)s %(service)s on %(day)s: %(why)s",
                machine=one["machine"],
                service=one["service"],
                day=one["date"],
                why=one["why"],
            )
        )


def _marks(row: dict[str, Any]) -> list[str]:
    marks = [_("promised")] if row["pinned"] else []
    marks += [_("in a stop")] if row["in_stop"] else []
    return marks


def what_is_proven(found: ServicePlan) -> str:
    """What a plan costs, and how much less any other could cost, in one sentence."""
    cost = short_count(found.solution.costs.total)
    if found.solution.is_optimal:
        return _("It costs %(cost)s weighted strokes; no plan costs less.", cost=cost)
    return _(
        "It costs %(cost)s weighted strokes; the time was up before it was proven that none costs"
        " less, but none costs less by more than %(gap)s %%.",
        cost=cost,
        gap=f"{found.solution.gap * 100:.2g}",
    )
