"""The command `tracelog lives`."""

from typing import Any

import click

from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.language import _
from tracelog.plant.queries import the_plant
from tracelog.service.lives import lives_by_type, lives_of
from tracelog.service.lives_answers import lives_answer
from tracelog.service.machine_lives import machine_lives
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)
from tracelog.web.numbers import rate, short_count


@click.command(epilog="Example: tracelog lives --tool-type ring-3 --json")
@click.option("--tool-type", metavar="TYPE", help="Only this type of tool.")
@click.option("--position", metavar="POSITION", help="With --tool-type: only this position.")
@as_of_option
@json_option
def lives(tool_type: str | None, position: str | None, as_of: str | None, as_json: bool) -> None:
    """How long tools live, by type, and whether replacing them by age pays.

    Worn, broken and defect count as failures; other lives were longer than they were seen.
    Intervals are of 95 %. Costs and today's intervals come from replacement_costs.csv.
    """
    if position and not tool_type:
        raise click.UsageError("give --tool-type too; positions are told apart within a type")
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        moment = instant_option(as_of, zone, "--as-of") or now()
        if tool_type:
            kinds, without_type = [lives_of(session, moment, tool_type, position)], 0
        else:
            kinds, without_type = lives_by_type(session, moment)
        answer = lives_answer(kinds, without_type, machine_lives(session, moment), moment)
    if as_json:
        print_json(answer)
    else:
        _print(answer, show_instant(moment, zone))


def _print(answer: dict[str, Any], moment: str) -> None:
    print_table(
        ("type", "failed", "lives", "shape", "10 % fail by", "best interval", "by age"),
        (
            (
                row["tool_type"],
                row["failures"],
                row["lives"],
                _ends(row, "shape", rate),
                _ends(row, "b10_strokes", short_count),
                short_count(row["best_interval_strokes"]) if row["verdict"] == "pays" else "",
                row["verdict"],
            )
            for row in answer["tools"]
        ),
        title=_("Lives of tools, as of %(moment)s", moment=moment),
    )
    for row in answer["tools"]:
        click.echo(f"{row['tool_type']}: {' '.join(row['sentences'])}")
    machines = answer["machines"]
    click.echo(_("Machines: %(sentence)s", sentence=machines["sentence"]))
    click.echo(machines["gaps_sentence"])


def _ends(row: dict[str, Any], name: str, write: Any) -> str:
    if row[name] is None:
        return ""
    ends = [write(row[key]) for key in (name, f"{name}_low", f"{name}_high")]
    return _("%(value)s (%(low)s to %(high)s)", value=ends[0], low=ends[1], high=ends[2])
