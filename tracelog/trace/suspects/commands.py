"""The command `tracelog suspects`."""

from typing import Any
from zoneinfo import ZoneInfo

import click

from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.language import _
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)
from tracelog.trace.suspects.answers import suspects_answer
from tracelog.trace.suspects.asking import suspects
from tracelog.trace.suspects.planning import plan_for
from tracelog.trace.suspects.questions import read_plan, read_wish
from tracelog.trace.suspects.wording import few

_MOST_ROWS = 60


@click.command(
    "suspects",
    epilog="Example: tracelog suspects 3-7 --defect wall-split --bad-at 2026-05-01T14:20 --risk 1%",
)
@click.argument("machine")
@click.option("--defect", metavar="CODE", help="The defect; may be left out with --good-at.")
@click.option("--bad-at", metavar="INSTANT", help="When a bad can was made; else the last logged.")
@click.option("--good-at", metavar="INSTANT", help="Last good time, instead of the record's.")
@click.option("--repaired-at", metavar="INSTANT", help="Repaired then, instead of the record's.")
@click.option("--risk", metavar="SHARE", help="Accepted for each pallet; 0.01 unless said.")
@click.option("--fraction", metavar="SHARE", help="Share of the suspect cans that is defective.")
@click.option("--slack", metavar="MINUTES", help="The ends may be off by so much; 5 unless said.")
@click.option("--aql", metavar="PERCENT", help="Acceptance quality limit of the sampling plan.")
@click.option("--level", metavar="LEVEL", help="Inspection level, such as II.")
@as_of_option
@json_option
def suspect_cans(machine: str, as_of: str | None, as_json: bool, **given: str | None) -> None:
    """Which pallets may hold suspect cans of MACHINE (several, with commas, if unsure)."""
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        until = instant_option(as_of, zone, "--as-of") or now()
        machines = directory(session)
        values = {"machine": machine, **given}
        plan = read_plan(values)
        found = suspects(session, read_wish(values, machines, zone), until)
        answer = suspects_answer(found, plan_for(session, found, plan), machines)
    if as_json:
        print_json(answer)
    else:
        _show(answer, zone)


def _show(answer: dict[str, Any], zone: ZoneInfo) -> None:
    for name, title in (
        ("last_good", _("Start")),
        ("first_bad", _("First bad can")),
        ("repaired", _("End")),
    ):
        at = show_instant(answer[name]["at"], zone)
        click.echo(f"{title}: {at}  ({answer[name]['basis']})")
    for warning in answer["warnings"]:
        click.echo(f"! {warning}")
    held = answer["held"]
    click.echo(
        _(
            "Held at a risk of %(risk).3g %% for each pallet: %(pallets)s pallets, %(cans)s cans."
            " Suspect: %(strokes)s strokes made, %(suspect)s cans expected among those held,"
            " %(missed)s missed, %(under_way)s not on pallets yet. The plain rule would hold"
            " %(naive)s pallets.",
            risk=100 * answer["risk"],
            pallets=f"{held['pallets']:,}",
            cans=f"{held['cans']:,}",
            strokes=f"{answer['suspect_strokes']:,}",
            suspect=f"{held['suspect']:,.0f}",
            missed=few(held["missed"]),
            under_way=f"{answer['expected_on_conveyors']:,.0f}",
            naive=f"{answer['naive']['pallets']:,}",
        )
    )
    print_table(
        (_("risk"), _("pallets"), _("cans"), _("suspect"), _("missed")),
        (
            (
                f"{100 * one['risk']:g} %",
                f"{one['pallets']:,}",
                f"{one['cans']:,}",
                f"{one['suspect']:,.0f}",
                few(one["missed"]),
            )
            for one in answer["risks"]
        ),
        title=_("accepted risk"),
    )
    _show_pallets(answer["pallets"], zone)
    click.echo(
        _("An estimate is no release: hold and release belong to the plant's quality authority.")
    )


def _show_pallets(pallets: list[dict[str, Any]], zone: ZoneInfo) -> None:
    print_table(
        (_("pallet"), _("from"), _("to"), _("expected"), _("chance of none"), _("hold")),
        (
            (
                one["pallet"],
                show_instant(one["started_at"], zone),
                _("still filling") if one["is_open"] else show_instant(one["ended_at"], zone),
                few(one["expected"]),
                f"{100 * one['chance_of_none']:.2f} %",
                _("hold") if one["hold"] else "",
            )
            for one in pallets[:_MOST_ROWS]
        ),
        title=_("pallets"),
    )
    if len(pallets) > _MOST_ROWS:
        click.echo(_("… and %(more)d more; --json prints all", more=len(pallets) - _MOST_ROWS))
