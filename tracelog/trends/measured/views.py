"""The page of measured values and its files."""

from collections.abc import Mapping, Sequence

from flask import Blueprint, Response, render_template, request

from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.trends.measured.charts import measured_chart
from tracelog.trends.measured.choosing import (
    measure_choices,
    measure_query,
    shown_measure_choices,
    with_usual_machine,
)
from tracelog.trends.measured.page import measure_page, period_text
from tracelog.trends.measured.questions import (
    MEASURE_FIELDS,
    known_measures,
    read_measure_question,
)
from tracelog.trends.measured.tables import capability_sheet, points_sheet
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form
from tracelog.web.request import current_session, now, permit, the_plant_now

measured_pages = Blueprint("measured", __name__)


@measured_pages.get("/trends/measurements")
@permit("see")
def measurements_view() -> tuple[str, int]:
    """The chart of one characteristic, what it says, and its capability."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_measures(session, plant, places, now())
    values = with_usual_machine(request.args.to_dict(flat=False), known)
    form, page, status = Form(_last(values)), None, 200
    try:
        answer = measured_chart(session, read_measure_question(values, known), places)
        shown = shown_measure_choices(answer, values, plant.zone)
        form = Form(shown)
        page = measure_page(answer, measure_query(shown), plant, places)
    except TracelogError as problem:
        form, status = form.with_problem(problem), 400
    offered = measure_choices(known, places, form.value("characteristic") or known.words[0])
    body = render_template(
        "trends/measured/measurements.html", form=form, offered=offered, page=page
    )
    return body, status


def _last(values: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """The choices as fields show them again."""
    return {name: values[name][-1].strip() for name in MEASURE_FIELDS if values.get(name)}


@measured_pages.get("/trends/measurements/<figure>.<kind>")
@permit("see")
def measurements_file(figure: str, kind: str) -> Response:
    """The points or the capability as CSV or XLSX."""
    if figure not in ("points", "capability") or kind not in ("csv", "xlsx"):
        raise NotFound(_("there is no such file; there are points and capability as csv or xlsx"))
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_measures(session, plant, places, now())
    question = read_measure_question(request.args.to_dict(flat=False), known)
    answer = measured_chart(session, question, places)
    sheet = points_sheet if figure == "points" else capability_sheet
    return sheet_file(
        sheet(answer, plant.zone), f"{figure}-{period_text(answer, plant.zone)}", kind
    )
