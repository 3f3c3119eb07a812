"""The pages of the audit trail: the list that is searched, one record, and files of it."""

from collections.abc import Iterator
from itertools import islice
from urllib.parse import urlencode

from flask import Blueprint, Response, render_template

from tracelog.db import reading_one_moment
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.people.trail.answers import record_line, trail_sheet
from tracelog.people.trail.queries import (
    RecordView,
    TrailFilter,
    checked_record,
    trail,
    whole_trail,
)
from tracelog.people.trail.reading import FILTERS, HIGHEST, read_filter
from tracelog.people.trail.rules import DOORS
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import asked
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, house, permit, the_plant_now

trail_pages = Blueprint("trail", __name__)
ROWS, MOST_IN_FILE = 50, 20_000
LINES_TYPE = "application/jsonl; charset=utf-8"


@trail_pages.get("/audit")
@permit("read audit")
def trail_page() -> tuple[str, int]:
    """Records of the trail, the newest first."""
    form, found = asked((*FILTERS, "before")), []
    try:
        found = _asked_page()
    except TracelogError as problem:
        form = form.with_problem(problem)
    pairs = {name: form.value(name) for name in FILTERS if form.value(name)}
    more = len(found) > ROWS
    found = found[:ROWS]
    further = urlencode({**pairs, "before": str(found[-1].sequence)}) if more else None
    shown = render_template(
        "people/trail/trail.html",
        form=form,
        records=found,
        further=f"/audit?{further}" if further else None,
        query=urlencode(pairs),
        doors=[(door, door) for door in DOORS],
    )
    return shown, 400 if form.is_faulty else 200


def _asked_page() -> list[RecordView]:
    given = Parameters((*FILTERS, "before"))
    wanted = read_filter(given, the_plant_now().zone)
    before = given.number("before", 1, HIGHEST)
    given.finish()
    return trail(current_session(), wanted, ROWS + 1, before)


@trail_pages.get("/audit/<int:sequence>")
@permit("read audit")
def record_page(sequence: int) -> str:
    """One record: what it altered, and whether it is as it was written."""
    if sequence > HIGHEST:
        raise NotFound(_("there is no audit record %(number)d", number=sequence))
    found = checked_record(current_session(), sequence)
    return render_template("people/trail/record.html", found=found, record=found.record)


@trail_pages.get("/audit.<kind>")
@permit("read audit")
def trail_file(kind: str) -> Response:
    """The records as a file: a table of at most 20,000, or as lines of JSON all of them."""
    if kind not in ("csv", "xlsx", "jsonl"):
        raise NotFound(
            _("the trail is saved as .csv, .xlsx or .jsonl, not .%(kind)s", kind=kind[:20])
        )
    given = Parameters(FILTERS)
    wanted = read_filter(given, the_plant_now().zone)
    given.finish()
    if kind == "jsonl":
        return _lines(wanted)
    rows = islice(whole_trail(current_session(), wanted), MOST_IN_FILE)
    return sheet_file(trail_sheet(rows, the_plant_now().zone), "audit", kind)


def _lines(wanted: TrailFilter) -> Response:
    engine = house().engine

    def told() -> Iterator[str]:
        # Written while it is sent, after the request's own session has ended.
        with reading_one_moment(engine) as session:
            for record in whole_trail(session, wanted):
                yield record_line(record)

    answer = Response(told(), content_type=LINES_TYPE)
    answer.headers["Content-Disposition"] = 'attachment; filename="audit.jsonl"'
    return answer
