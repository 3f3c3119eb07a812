"""The Station parts page: how many mandrels, segments, pockets or fingers each station has."""

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog import reference
from tracelog.errors import TracelogError
from tracelog.facts import whole_number
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.part_actions import set_station_part
from tracelog.plant.part_facts import MOST_PARTS, StationPartFact
from tracelog.plant.part_queries import station_parts
from tracelog.plant.queries import directory
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.sheets import Sheet

part_pages = Blueprint("parts", __name__)
HERE = "/cases/sequence/parts"
FIELDS = ("line", "station", "part", "count", "seen")


@part_pages.get(HERE)
@permit("see")
def parts_page() -> str:
    """The counts as they stand, and where to set them."""
    return _page(asked(FIELDS))


def _page(form: Form) -> str:
    known = directory(current_session())
    parts = station_parts(current_session())
    refused = _refused(form)
    return render_template(
        "plant/station_parts.html",
        form=form,
        parts=parts,
        lines=[(str(line), str(line)) for line in sorted(known.lines)],
        usual=reference.station_parts(),
        stations=[one for one in reference.stations() if one.kind == "process"],
        # A count that was refused is shown again in its own row.
        refused=refused,
        is_known=refused in [(str(one.line), one.station, one.part) for one in parts],
    )


def _refused(form: Form) -> tuple[str, str, str] | None:
    if not form.is_faulty:
        return None
    return form.value("line"), form.value("station"), form.value("part")


@part_pages.post(HERE)
@permit("set station parts")
def set_part() -> AnyResponse | tuple[str, int]:
    """Set one count."""
    form = posted(FIELDS)
    try:
        told = {name: form.value(name) for name in FIELDS[:-1]}
        fact = StationPartFact.read(told, the_plant_now().zone)
        seen = _seen(form.value("seen"))
        demand_kept([set_station_part(current_session(), fact, seen, current_actor(), now())])
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    flash(
        _(
            "Line %(line)d, %(station)s: %(count)d × %(part)s.",
            line=fact.line,
            station=fact.station,
            count=fact.count,
            part=fact.part,
        )
    )
    return redirect(HERE, 303)


def _seen(text: str) -> int | None:
    try:
        return whole_number(text, 0, MOST_PARTS) if text else None
    except ValueError as problem:
        raise TracelogError(str(problem), "seen") from None


@part_pages.get(HERE + ".<kind>")
@permit("see")
def parts_file(kind: str) -> Response:
    """The counts as a file."""
    demand_kind(kind)
    rows = tuple(
        (one.line, one.station, one.part, one.count) for one in station_parts(current_session())
    )
    sheet = Sheet("Station parts", StationPartFact.columns(), rows, the_plant_now().zone)
    return sheet_file(sheet, "station-parts", kind)
