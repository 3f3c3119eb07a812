"""The command `tracelog tools`."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import click

from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.language import _
from tracelog.plant.queries import directory, the_plant
from tracelog.service.tool_answers import tool_card_answer, tools_answer
from tracelog.service.tool_histories import ToolState
from tracelog.service.tool_list import listed_tools, the_tool
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)

_STATES = [state.value for state in ToolState]


@click.command(epilog="Example: tracelog tools --state in-use   or   tracelog tools R3-0412")
@click.argument("serial", required=False)
@click.option("--search", metavar="TEXT", help="Only tools whose serial or type holds TEXT.")
@click.option("--state", type=click.Choice(_STATES), help="Only tools that are there.")
@as_of_option
@json_option
def tools(
    serial: str | None, search: str | None, state: str | None, as_of: str | None, as_json: bool
) -> None:
    """Tools with their strokes since work and in all; with SERIAL, one tool's whole card.

    A figure with a plus sign is a lower bound: strokes are missing from the count.
    """
    if serial and (search or state):
        raise click.UsageError("give SERIAL, or --search and --state")
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        moment = instant_option(as_of, zone, "--as-of") or now()
        machines = directory(session)
        if serial:
            answer = tool_card_answer(the_tool(session, serial, moment), machines, moment)
        else:
            chosen = ToolState(state) if state else None
            histories = listed_tools(session, moment, search or "", chosen)
            answer = tools_answer(histories, machines, moment)
    if as_json:
        print_json(answer)
    elif serial:
        _print_card(answer, zone)
    else:
        _print_list(answer["tools"], show_instant(moment, zone))


def _print_list(rows: list[dict[str, Any]], moment: str) -> None:
    print_table(
        ("tool", "type", "where", "since work", "life", "used", "works", "in all"),
        (
            (
                row["serial"],
                row["tool_type"],
                _where(row),
                _strokes(row["strokes_since_work"], row["since_work_at_least"]),
                row["life_strokes"],
                _share(row["share_used"]),
                row["works"],
                _strokes(row["strokes_on_tool"], row["on_tool_at_least"]),
            )
            for row in rows
        ),
        title=_("Tools, as of %(moment)s", moment=moment),
    )


def _print_card(card: dict[str, Any], zone: ZoneInfo) -> None:
    def told(moment: datetime | None) -> str | None:
        return None if moment is None else show_instant(moment, zone)

    _print_list([card], show_instant(card["as_of"], zone))
    print_table(
        ("life", "from", "to", "ended as", "strokes"),
        (
            (
                *(one["number"], told(one["started_at"]), told(one["ended_at"])),
                *(one["end_reason"], _strokes(one["strokes"], one["at_least"])),
            )
            for one in card["cycles"]
        ),
        title=_("Lives, from new or from one work to the next"),
    )
    print_table(
        ("where", "fitted", "removed", "why", "strokes"),
        (
            (
                f"{one['machine']} {one['position']}",
                *(told(one["fitted_at"]), told(one["removed_at"]), one["removal_reason"]),
                _strokes(one["strokes"], one["at_least"]),
            )
            for one in card["stays"]
        ),
        title=_("Where it was"),
    )
    print_table(
        ("done", "work", "size mm", "strokes before", "since work", "note"),
        (
            (
                *(told(one["done_at"]), one["work"], one["size_mm"], one["strokes_before"]),
                *(one["strokes_before_since_work"], one["note"]),
            )
            for one in card["tool_works"]
        ),
        title=_("What was done to it"),
    )


def _where(row: dict[str, Any]) -> str:
    return f"{row['machine']} {row['position']}" if row["machine"] else str(row["state"])


def _strokes(strokes: int, at_least: bool) -> str:
    return f"{strokes}+" if at_least else str(strokes)


def _share(share: float | None) -> str | None:
    return None if share is None else f"{share:.0%}"
