"""The list of cases with its filters and its file, and the form that opens one."""

import uuid
from collections.abc import Mapping
from contextlib import suppress
from urllib.parse import urlencode

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.cases.actions import open_case
from tracelog.cases.facts import CaseFact
from tracelog.cases.listing.queries import Asked, Order, Page, list_cases
from tracelog.cases.listing.reading import FILTERS, read_filter
from tracelog.cases.whole.answers import cases_sheet
from tracelog.cases.whole.packing import MEDIA_TYPE, packed_case
from tracelog.cases.whole.queries import whole_case
from tracelog.defects.queries import vocabulary
from tracelog.errors import Fault, TracelogError
from tracelog.instants import parse_instant
from tracelog.language import _, in_words
from tracelog.plant.queries import directory
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.parameters import Parameters, WrongParameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

list_pages = Blueprint("case_list", __name__)
ORIGIN_FIELDS = ("entry", "complaint", "signal_kind", "signal_raised_at")
CASE_FIELDS = ("id", "title", "defect", "place", "since_at", *ORIGIN_FIELDS)
ROWS, MOST_IN_FILE = 50, 5000


def state_words() -> dict[str, str]:
    """Which cases can be asked for, in words."""
    return {
        Asked.UNENDED.value: _("not ended"),
        Asked.OPEN.value: _("open"),
        Asked.WATCHING.value: _("watching"),
        Asked.CAME_BACK.value: _("came back"),
        Asked.HELD.value: _("it held"),
        Asked.DROPPED.value: _("dropped"),
        Asked.ENDED.value: _("ended"),
        Asked.ALL.value: _("all"),
    }


@list_pages.get("/cases")
@permit("see")
def cases_page() -> tuple[str, int]:
    """Cases that have not ended, or those that are asked for, page by page."""
    session = current_session()
    places = directory(session)
    form, page = asked((*FILTERS, "cursor"), {"state": Asked.UNENDED.value}), Page((), None)
    try:
        page = _asked_page(ROWS)
    except TracelogError as problem:
        form = form.with_problem(problem)
    pairs = {name: form.value(name) for name in FILTERS if form.value(name)}
    further = urlencode({**pairs, "cursor": page.next_after}) if page.next_after else None
    shown = render_template(
        "cases/cases.html",
        cases=page.cases,
        form=form,
        further=f"/cases?{further}" if further else None,
        query=urlencode(pairs),
        states=list(state_words().items()),
        orders=[(Order.NEWEST.value, _("newest first")), (Order.OLDEST.value, _("oldest first"))],
        lines=[(str(line), name) for line, name in places.line_names.items()],
        machines=[machine.text for machine in places.bodymakers],
        kinds=[(kind.defect, kind.title) for kind in vocabulary(session)],
        ages={one.id: one.age_days(now()) for one in page.cases},
    )
    return shown, 400 if form.is_faulty else 200


def _asked_page(most: int) -> Page:
    session = current_session()
    given = Parameters((*FILTERS, "cursor"))
    wanted = read_filter(given, directory(session), Asked.UNENDED)
    cursor = given.text("cursor")
    given.finish()
    try:
        return list_cases(session, wanted, most, cursor)
    except TracelogError as problem:
        raise WrongParameters((Fault("cursor", problem.sentence),)) from None


@list_pages.get("/cases.<kind>")
@permit("see")
def cases_file(kind: str) -> Response:
    """The list as a file, at most 5,000 cases."""
    demand_kind(kind)
    page = _asked_page(MOST_IN_FILE)
    return sheet_file(cases_sheet(page.cases, now(), the_plant_now().zone), "cases", kind)


@list_pages.get("/cases/<uuid:case_id>.zip")
@permit("see")
def case_archive(case_id: uuid.UUID) -> Response:
    """One case with its pictures, as a file to be saved."""
    session, at = current_session(), now()
    packed = packed_case(session, whole_case(session, case_id, at), at)
    answer = Response(packed, content_type=MEDIA_TYPE)
    answer.headers["Content-Disposition"] = f'attachment; filename="case-{case_id}.zip"'
    return answer


@list_pages.get("/cases/new")
@permit("see")
def new_case() -> str:
    """The form for a case, filled in from what it is opened from."""
    form = asked(CASE_FIELDS)
    values = dict(form.values)
    with suppress(ValueError):
        zone = the_plant_now().zone
        values["since_at"] = for_field(parse_instant(values["since_at"], zone), zone)
    return _new_page(Form(_titled(values)))


def _titled(values: Mapping[str, str]) -> dict[str, str]:
    """The values with a title to begin with, where defect and place are known."""
    told = dict(values)
    kinds = {kind.defect: in_words(kind.title) for kind in vocabulary(current_session())}
    if not told["title"] and told["place"] and told["defect"] in kinds:
        what = {"defect": kinds[told["defect"]], "place": told["place"]}
        told["title"] = _("%(defect)s on %(place)s", **what)[:80]
    return told


def _new_page(form: Form) -> str:
    session = current_session()
    known = directory(session)
    lines = [(str(line), _("line %(line)d", line=line)) for line in known.lines]
    return render_template(
        "cases/new.html",
        form=form,
        case_id=form.own_id(),
        kinds=[(kind.defect, kind.title) for kind in vocabulary(session)],
        where=[*lines, *((one.text, one.text) for one in known.bodymakers)],
    )


@list_pages.post("/cases")
@permit("work on case")
def add_case() -> AnyResponse | tuple[str, int]:
    """Open a case."""
    form = posted(CASE_FIELDS)
    try:
        fact = CaseFact.read(form.values, the_plant_now().zone)
        open_case(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        return _new_page(form.with_problem(problem)), problem.status
    flash(_("The case is open."))
    return redirect(f"/cases/{fact.id}" if fact.id else "/cases", 303)
