"""Pages of the floor: every line in one look, and one machine on one time axis."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from flask import Blueprint, render_template, request
from markupsafe import Markup

from tracelog.buckets import Bucket
from tracelog.errors import TracelogError
from tracelog.floor.axis import Axis, Figure, Scale, axis
from tracelog.floor.queries import MachineHistory, floor, floor_version, machine_history
from tracelog.instants import day_of, next_hour, start_of_day
from tracelog.language import _, in_words, language
from tracelog.plant.queries import BODYMAKER, directory
from tracelog.strokes.fields import field_instant
from tracelog.trends.signals.wording import says, short
from tracelog.web.forms import Form
from tracelog.web.kept_page import kept_page
from tracelog.web.numbers import count, instant
from tracelog.web.request import (
    current_session,
    house,
    keep_plant_now,
    may,
    now,
    permit,
    the_plant_now,
)

pages = Blueprint("floor", __name__)

PERIODS = (1, 7, 28, 91, 365)


@pages.get("/")
@permit("see")
def floor_page() -> str:
    """Every line as a row of can bottoms.

    The rows are made once for all who see the same ones, until something is written or the minute
    is over that the page shows.
    """
    session, pieces = current_session(), house().pieces
    version = (floor_version(session), now().replace(second=0, microsecond=0))
    keep_plant_now(pieces.piece(version, ("plant", language()), the_plant_now))

    def rows() -> Markup:
        return Markup(render_template("floor/lines.html", lines=floor(session, now())))  # noqa: S704

    def page() -> str:
        lines = pieces.piece(version, ("floor", language(), may("set up plant")), rows)
        return render_template("floor/floor.html", lines=lines)

    return kept_page(version, "floor", page)


@pages.get("/machines/<int:line>/<station>/<int:number>")
@permit("see")
def machine_page(line: int, station: str, number: int) -> str:
    """One machine: strokes, services, tools, changes and entries on one time axis."""
    plant = directory(current_session())
    try:
        machine = plant.machine(line, station, number)
    except TracelogError as problem:
        problem.status = 404
        raise
    days = _days(request.args.get("days", "28"))
    found = machine_history(current_session(), machine, days, now(), plant)
    present = field_instant(now(), the_plant_now().zone, seconds=False)
    return render_template(
        "floor/machine.html",
        found=found,
        machine=machine,
        signals=[(one, says(one)) for one in found.signals if one.is_open],
        axis=_axis(found, the_plant_now().zone),
        days=days,
        periods=PERIODS,
        is_bodymaker=station == BODYMAKER,
        reading_field=Form({"read_at": present.value}),
        reading_at_type=present.type,
    )


def _days(text: str) -> int:
    if not text.isdecimal() or int(text) not in PERIODS:
        raise TracelogError(
            _("'%(text)s' is not a period; choose 1, 7, 28, 91 or 365 days", text=text[:20]), "days"
        )
    return int(text)


def _axis(found: MachineHistory, zone: ZoneInfo) -> Axis:
    def figure(start: datetime, number: int, words: str) -> Figure:
        ends_at = next_hour(start, zone)
        if found.bucket is Bucket.DAY:
            ends_at = start_of_day(day_of(start, zone) + timedelta(days=1), zone)
        return start, min(ends_at, found.end), number, f"{instant(start, zone)}: {words}"

    lanes = (
        (_("Services"), "diamond", [(one.done_at, one.service) for one in found.services]),
        (_("Tools"), "ring", list(_tool_marks(found))),
        (_("Changes"), "wedge", [(one.at, in_words(one.kind)) for one in found.changes]),
        (_("Signals"), "notch", [(one.raised_at, short(one)) for one in found.signals]),
    )
    return axis(
        Scale(found.start, found.end),
        zone,
        [figure(row.bucket_start, row.strokes, count(row.strokes)) for row in found.strokes],
        [
            (label, shape, [(at, f"{instant(at, zone)}: {text}") for at, text in marks])
            for label, shape, marks in lanes
        ],
        [
            figure(
                row.bucket_start,
                row.entries,
                _("%(entries)d entries, %(cans)d cans", entries=row.entries, cans=row.cans),
            )
            for row in found.logged
            if row.bucket_start is not None
        ],
    )


def _tool_marks(found: MachineHistory) -> Iterator[tuple[datetime, str]]:
    for stay in found.stays:
        if stay.fitted_at >= found.start:
            yield (
                stay.fitted_at,
                _(
                    "%(serial)s fitted as %(place)s",
                    serial=stay.serial,
                    place=in_words(stay.position),
                ),
            )
