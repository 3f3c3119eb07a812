"""The commands of the calendar: list, import and export of planned periods."""

import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from tracelog.db import reading, writing
from tracelog.errors import TracelogError
from tracelog.instants import day_of, now, show_instant, start_of_day
from tracelog.language import _
from tracelog.plant.calendar import PeriodKind, planned_periods, standing_periods
from tracelog.plant.calendar_answers import import_answer, periods_answer
from tracelog.plant.icalendar_actions import ImportedCalendar, import_calendar
from tracelog.plant.icalendar_child import read_calendar_apart
from tracelog.plant.icalendar_matching import CalendarPlace, ImportChoice, StepKind
from tracelog.plant.icalendar_text import LARGEST_BYTES
from tracelog.plant.icalendar_writing import write_calendar
from tracelog.plant.queries import PlantView, directory, the_plant
from tracelog.terminal import (
    as_of_option,
    command_actor,
    fail,
    instant_option,
    json_option,
    open_database,
    print_json,
    print_table,
    write_file,
)

AHEAD = timedelta(days=730)
LISTED = timedelta(days=182)
_KINDS = click.Choice([kind.value for kind in PeriodKind])
_FROM = click.option("--from", "start", metavar="MOMENT", help="Instant or day; without it today.")


@click.group()
def calendar() -> None:
    """Planned stops, and times in which no service may be put.

    Example: tracelog calendar list
    """


@calendar.command("list", epilog="Example: tracelog calendar list --line 3 --to 2026-12-31")
@_FROM
@click.option("--to", "end", metavar="MOMENT", help="Instant or day; without it half a year on.")
@click.option("--line", type=int, help="Only of this line, its machines and the whole plant.")
@click.option("--kind", type=_KINDS, help="Only this kind.")
@as_of_option
@json_option
def list_periods(
    start: str | None,
    end: str | None,
    line: int | None,
    kind: str | None,
    as_of: str | None,
    as_json: bool,
) -> None:
    """What is planned, in order of time."""
    with reading(open_database()) as session:
        plant = the_plant(session)
        first, last = _period(plant, start, end, LISTED)
        moment = instant_option(as_of, plant.zone, "--as-of")
        known = directory(session)
        chosen = None if kind is None else PeriodKind(kind)
        found = planned_periods(session, first, last, as_of=moment, kind=chosen)
        if line is not None:
            line_id = known.line(line)
            found = [one for one in found if one.line_id in (None, line_id)]
        answer = periods_answer(found, known, first, last, moment)
    if as_json:
        print_json(answer)
        return
    print_table(
        [_("From"), _("To"), _("Where"), _("Kind"), _("Reason"), _("Known since")],
        [
            (
                show_instant(one["starts_at"], plant.zone),
                show_instant(one["ends_at"], plant.zone),
                _where(one),
                one["kind"],
                one["reason"],
                show_instant(one["announced_at"], plant.zone) if one["announced_at"] else "",
            )
            for one in answer["periods"]
        ],
    )


def _where(period: dict[str, Any]) -> str:
    if period["line"] is None:
        return _("whole plant")
    if period["bodymaker"] is None:
        return _("line %(line)d", line=period["line"])
    return f"{period['line']}-{period['bodymaker']}"


def _period(
    plant: PlantView, start: str | None, end: str | None, usual: timedelta
) -> tuple[datetime, datetime]:
    first = instant_option(start, plant.zone, "--from")
    first = first or start_of_day(day_of(now(), plant.zone), plant.zone)
    last = instant_option(end, plant.zone, "--to", ends=True) or first + usual
    if last <= first:
        raise click.BadParameter(_("is not after --from"), param_hint="--to")
    return first, last


@calendar.command(
    "import", epilog="Example: tracelog calendar import cleaning.ics --line 3 --kind stop --dry-run"
)
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--line", type=int, help="All events are about this line.")
@click.option("--bodymaker", type=int, help="With --line: about this bodymaker alone.")
@click.option("--whole-plant", is_flag=True, help="All events are about the whole plant.")
@click.option("--kind", type=_KINDS, help="What all events are; else their categories say.")
@_FROM
@click.option("--to", "end", metavar="MOMENT", help="Instant or day; without it two years on.")
@click.option(
    "--replace",
    is_flag=True,
    help="Withdraw periods from calendar files, of the place and kind given, that this lacks.",
)
@click.option("--bring-back", is_flag=True, help="Take events again that were withdrawn here.")
@click.option("--dry-run", is_flag=True, help="Only report; write nothing.")
@json_option
def import_file(
    file: Path,
    start: str | None,
    end: str | None,
    dry_run: bool,
    as_json: bool,
    **chosen: Any,
) -> None:
    """Take the events of a calendar FILE (.ics) over: all of them, or none if one is wrong.

    Without --line or --whole-plant each event names its place: 'line 3', 'bodymaker 3-7' or 'whole
    plant' in its location, categories or summary. The same file again changes nothing; an event
    that moved is moved.
    """
    place = _place(chosen["line"], chosen["bodymaker"], chosen["whole_plant"])
    engine = open_database()
    with reading(engine) as session:
        plant = the_plant(session)
    choice = ImportChoice(
        *_period(plant, start, end, AHEAD),
        place,
        PeriodKind(chosen["kind"]) if chosen["kind"] else None,
        replaces=chosen["replace"],
        brings_back=chosen["bring_back"],
    )
    content = read_calendar_apart(_bytes_of(file), plant.zone, choice.start, choice.end)
    with writing(engine) as session:
        done = import_calendar(session, content, choice, command_actor(), now(), dry_run=dry_run)
        answer = import_answer(done, directory(session))
    if as_json:
        print_json(answer)
    else:
        _print_import(done, plant, dry_run)
    if done.faults:
        fail(f"{file}: {fault}" for fault in done.faults)


def _place(line: int | None, bodymaker: int | None, whole_plant: bool) -> CalendarPlace | None:
    if whole_plant and line is not None:
        raise click.UsageError("give --line or --whole-plant, not both")
    if bodymaker is not None and line is None:
        raise click.UsageError("--bodymaker needs --line")
    if whole_plant:
        return CalendarPlace()
    return None if line is None else CalendarPlace(line, bodymaker)


def _bytes_of(file: Path) -> bytes:
    try:
        with file.open("rb") as opened:
            # One more than is taken, so that a larger file is seen to be larger.
            return opened.read(LARGEST_BYTES + 1)
    except OSError as problem:
        raise TracelogError(
            _("%(file)s cannot be read: %(why)s", file=file, why=problem.strerror)
        ) from problem


def _print_import(done: ImportedCalendar, plant: PlantView, dry_run: bool) -> None:
    shown = [step for step in done.steps if step.kind is not StepKind.UNCHANGED]
    rows = []
    for step in shown:
        one = step.new or step.old
        if one is not None:
            before = show_instant(step.old.starts_at, plant.zone) if step.old and step.new else ""
            starts, ends = (show_instant(at, plant.zone) for at in (one.starts_at, one.ends_at))
            rows.append((step.kind.value, starts, ends, before, one.kind.value, one.reason))
    if rows:
        columns = [_("What"), _("From"), _("To"), _("Was from"), _("Kind"), _("Reason")]
        print_table(columns, rows)
    told = ", ".join(f"{count} {kind}" for kind, count in done.counts.items())
    click.echo(told or _("no events in this time"))
    if done.without_length:
        count = done.without_length
        click.echo(_("%(count)d events without a length were left out", count=count))
    if dry_run:
        click.echo(_("Only looked; nothing was written."))
    elif not done.is_kept:
        click.echo(_("Nothing was written."))


@calendar.command("export", epilog="Example: tracelog calendar export plant.ics")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
def export_file(file: Path) -> None:
    """Write everything that stands into a calendar FILE (.ics); - writes to standard output."""
    with reading(open_database()) as session:
        plant = the_plant(session)
        periods = standing_periods(session)
        raw = write_calendar(periods, directory(session), plant.zone, plant.name)
    if str(file) == "-":
        sys.stdout.buffer.write(raw)
        return
    write_file(file, raw)
    click.echo(_("%(count)d periods written to %(file)s", count=len(periods), file=file))
