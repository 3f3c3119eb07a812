"""The page of one series: its control chart, its baseline, and what happened meanwhile."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from urllib.parse import parse_qs
from zoneinfo import ZoneInfo

from flask import Blueprint, Response, flash, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, Conflict, Fault, NotFound, TracelogError
from tracelog.instants import moment_or_day
from tracelog.language import _
from tracelog.plant.queries import Directory, directory
from tracelog.trends.page import choices, page_known
from tracelog.trends.questions import ChartQuestion, Known, read_chart_question
from tracelog.trends.series.actions import freeze_baseline
from tracelog.trends.series.events import chart_with_events
from tracelog.trends.series.facts import BaselineWish
from tracelog.trends.series.page import (
    SeriesPage,
    freeze_fields,
    rule_sets,
    series_choices,
    series_page,
)
from tracelog.trends.tables import events_sheet
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

series = Blueprint("series", __name__)

# What a link may fill the form of a new baseline with.
PREFILLED = ("starts_at", "ends_at", "reason")
_SERIES = ("line", "bodymaker", "evidence", "of", "instead_of")
FREEZE_FIELDS = (*PREFILLED, *_SERIES, "query", "way")
USUAL = "usual"
LONGEST_QUERY = 4_000
Values = Mapping[str, Sequence[str]]


@series.get("/trends/chart")
@permit("see")
def series_view() -> tuple[str, int]:
    """The control chart of one machine, line or the plant."""
    return _page(request.args.to_dict(flat=False))


def _page(values: Values, freezing: Form | None = None) -> tuple[str, int]:
    """The page for choices; `freezing`: a baseline that was not kept, as it was typed."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known, kinds = page_known(session, plant, places, now())
    form = Form({name: given[-1].strip() for name, given in values.items() if given})
    page: SeriesPage | None = None
    try:
        asked = _question(values, known)
        form = Form(series_choices(asked, values, plant.zone))
        page = series_page(session, plant, places, kinds, asked, now())
    except TracelogError as problem:
        form = form.with_problem(problem)
    chosen = [one for one in values.get("defect", ()) if one]
    shown = render_template(
        "trends/series/chart.html",
        form=form,
        offered=choices(plant, places, kinds),
        rule_sets=rule_sets(),
        chosen_too=chosen[1:],
        page=page,
        freezing=_freezing(page, values, freezing, plant.zone),
    )
    return shown, 200 if page else 400


def _question(values: Values, known: Known) -> ChartQuestion:
    return read_chart_question(values, known, extra=PREFILLED)


def _freezing(
    page: SeriesPage | None, values: Values, sent: Form | None, zone: ZoneInfo
) -> Form | None:
    """The form that freezes a baseline: as it was sent, or filled in from what is shown."""
    if page is None:
        return None
    given = {name: values[name][-1] for name in PREFILLED if values.get(name)}
    filled = freeze_fields(page, given, zone, now())
    if sent is None:
        return Form(filled)
    # What somebody else froze meanwhile is on the page now, so that it can be decided again.
    typed = {name: sent.value(name) for name in PREFILLED}
    return Form({**filled, **typed}, sent.faults)


@series.post("/trends/chart/baseline")
@permit("set baseline")
def freeze() -> AnyResponse | tuple[str, int]:
    """Freeze the period that a series is judged by, or go back to the usual one."""
    form = posted(FREEZE_FIELDS)
    query = form.value("query")[:LONGEST_QUERY]
    try:
        wish = _wish(form, the_plant_now().zone)
        freeze_baseline(current_session(), wish, current_actor(), now())
    except TracelogError as problem:
        shown, _status = _page(parse_qs(query), form.with_problem(_told(problem)))
        return shown, problem.status
    if wish.starts_at is None:
        flash(_("Back to the usual baseline; the frozen one stays on record."))
    else:
        flash(_("Baseline frozen; the chart now uses it."))
    return redirect(f"/trends/chart?{query}#baseline", 303)


def _wish(form: Form, zone: ZoneInfo) -> BaselineWish:
    """What the form asks for; a day that ends a period is counted whole.

    Raises:
        BadFact: a field is wrong.
    """
    values: dict[str, object] = {name: form.value(name) for name in (*_SERIES, "reason")}
    if form.value("way") != USUAL:
        faults = []
        for name, ends in (("starts_at", False), ("ends_at", True)):
            try:
                values[name] = _moment(form.value(name), zone, ends)
            except ValueError as problem:
                faults.append(Fault(name, str(problem)))
        if faults:
            raise BadFact(tuple(faults))
    return BaselineWish.read(values, zone)


def _moment(text: str, zone: ZoneInfo, ends: bool) -> datetime:
    if not text:
        raise ValueError(_("is missing; write a day such as 2026-03-29, or an instant"))
    return moment_or_day(text, zone, ends=ends)


def _told(problem: TracelogError) -> TracelogError:
    """What is told at a field that the form does not show, told of the whole form."""
    shown = tuple(
        fault if fault.field in PREFILLED else Fault("", fault.sentence) for fault in problem.faults
    )
    return Conflict(shown[0].sentence) if isinstance(problem, Conflict) else BadFact(shown)


@series.get("/trends/chart/events.<kind>")
@permit("see")
def events_file(kind: str) -> Response:
    """What happened in the period of the chart, as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise NotFound(_("there is no such file; there are csv and xlsx"))
    session, plant = current_session(), the_plant_now()
    places: Directory = directory(session)
    known, _kinds = page_known(session, plant, places, now())
    asked = _question(request.args.to_dict(flat=False), known)
    sheet = events_sheet(chart_with_events(session, asked, plant, places), plant.zone)
    return sheet_file(sheet, f"events-{asked.start:%Y-%m-%d}-{asked.end:%Y-%m-%d}", kind)
