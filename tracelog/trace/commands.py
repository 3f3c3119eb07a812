"""The command `tracelog trace`."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import click

from tracelog.config import load_settings
from tracelog.db import reading
from tracelog.instants import now, show_instant
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, parse_dome_code
from tracelog.plant.queries import directory, the_plant
from tracelog.terminal import (
    as_of_option,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
)
from tracelog.trace.answers import dossier_answer, where_used_answer
from tracelog.trace.dossier import dossier
from tracelog.trace.epcis_queries import epcis_of
from tracelog.trace.making import Question, read_time_code
from tracelog.trace.where_used import usual_start, where_used

_SUBJECTS = "--tool, --coil, --machine, --crew, --change"


@click.command(
    epilog="Example: tracelog trace 3-7 --at 2026-05-01T14:20   or   tracelog trace --tool R3-0412"
)
@click.argument("code", required=False)
@click.option("--at", metavar="INSTANT", help="When the can was made; plant time or with offset.")
@click.option("--doubtful", is_flag=True, help="The reader of CODE was unsure.")
@click.option("--defect", metavar="DEFECT", help="What is wrong with the can.")
@click.option("--seen-at", metavar="INSTANT", help="When the can was found.")
@click.option("--found-at", metavar="STATION", help="With --seen-at: where it was found.")
@click.option("--time-code", metavar="TEXT", help="Time on the can, such as '2026-05-01 14:20'.")
@click.option("--pallet", metavar="NUMBER", help="The pallet on which the can lay.")
@click.option("--coil", metavar="NUMBER", help="With CODE: the can's coil. Alone: what it made.")
@click.option("--tool", metavar="SERIAL", help="Everything this tool made, wherever fitted.")
@click.option("--machine", metavar="MACHINE", help="Everything this machine made, such as 3-7.")
@click.option("--crew", metavar="CREW", help="Everything made in this crew's shifts.")
@click.option(
    "--change",
    metavar="CHANGE",
    help="Everything made from a change on, written as 'coolant @ 3-7 @ 2026-05-01T06:00'.",
)
@click.option("--from", "start", metavar="INSTANT", help="Of what something made: the start.")
@click.option("--to", "end", metavar="INSTANT", help="Of what something made: the end.")
@click.option(
    "--epcis", is_flag=True, help="With --pallet or --coil alone: its events as EPCIS 2.0."
)
@as_of_option
@json_option
def trace(
    code: str | None,
    at: str | None,
    doubtful: bool,
    defect: str | None,
    seen_at: str | None,
    found_at: str | None,
    time_code: str | None,
    pallet: str | None,
    coil: str | None,
    tool: str | None,
    machine: str | None,
    crew: str | None,
    change: str | None,
    start: str | None,
    end: str | None,
    epcis: bool,
    as_of: str | None,
    as_json: bool,
) -> None:
    """From a dome CODE to the machine, tools and metal behind the can; or what they made."""
    of_can = [name for name, value in (("CODE", code), ("--pallet", pallet)) if value]
    subjects = {"tool": tool, "machine": machine, "coil": None if of_can else coil}
    subjects |= {"crew": crew, "change": change}
    chosen = [(kind, name) for kind, name in subjects.items() if name]
    if len(chosen) > 1 or (chosen and of_can):
        raise click.UsageError(f"give a can (CODE, --pallet), or one of {_SUBJECTS}")
    if not chosen and not of_can:
        raise click.UsageError(f"give a CODE such as 3-7, a --pallet, or {_SUBJECTS}")
    if chosen and (doubtful or defect or seen_at or found_at or time_code):
        raise click.UsageError(
            "--doubtful, --defect, --seen-at, --found-at and --time-code go with a CODE or a"
            " --pallet"
        )
    if chosen and at:
        raise click.UsageError("--at goes with a CODE or a --pallet; give --from and --to instead")
    if epcis and (code or at or start or end or (pallet is None) == (coil is None)):
        raise click.UsageError("--epcis goes with one --pallet or one --coil, and nothing else")
    if of_can and (start or end):
        raise click.UsageError(f"--from and --to go with {_SUBJECTS}; give --at")
    with reading(open_database()) as session:
        zone = the_plant(session).zone
        until = instant_option(as_of, zone, "--as-of") or now()
        if epcis:
            print_json(epcis_of(session, pallet, coil, load_settings().epcis_base, until))
            return
        if chosen:
            last = min(instant_option(end, zone, "--to", ends=True) or until, until)
            first = instant_option(start, zone, "--from") or usual_start(chosen[0][0], last)
            found = where_used(session, *chosen[0], first, last, until)
            answer = where_used_answer(found)
        else:
            question = Question(
                _code(code),
                instant_option(at, zone, "--at"),
                pallet,
                coil,
                instant_option(seen_at, zone, "--seen-at"),
                found_at,
                _time_code(time_code, zone),
                doubtful,
                defect,
            )
            answer = dossier_answer(dossier(session, question, until), directory(session))
    if as_json:
        print_json(answer)
    else:
        _show(answer, zone)


def _code(text: str | None) -> DomeCode | None:
    try:
        return parse_dome_code(text) if text else None
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint="CODE") from None


def _time_code(text: str | None, zone: ZoneInfo) -> tuple[datetime, datetime] | None:
    try:
        return read_time_code(text, zone) if text else None
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint="--time-code") from None


def _show(answer: dict[str, Any], zone: ZoneInfo) -> None:
    for name, value in answer.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            print_table(
                tuple(value[0]),
                (tuple(_shown(cell, zone) for cell in row.values()) for row in value[:40]),
                title=name.replace("_", " "),
            )
            if len(value) > 40:
                click.echo(_("… and %(more)d more; --json prints all", more=len(value) - 40))
        elif isinstance(value, dict):
            parts = "; ".join(f"{key} {_shown(part, zone)}" for key, part in value.items())
            click.echo(f"{name.replace('_', ' ')}: {parts}")
        elif not isinstance(value, list):
            click.echo(f"{name.replace('_', ' ')}: {_shown(value, zone)}")


def _shown(value: Any, zone: ZoneInfo) -> str:
    if value is None:
        return "-"
    if isinstance(value, dict):
        return " ".join(_shown(part, zone) for part in value.values())
    if isinstance(value, list):
        return "; ".join(_shown(part, zone) for part in value[:3]) or "-"
    return show_instant(value, zone) if hasattr(value, "astimezone") else str(value)
