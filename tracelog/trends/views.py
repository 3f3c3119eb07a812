"""The Trends page, its files, and the figures for those who explore them."""

from flask import Blueprint, Response, json, render_template, request

from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.trends.explore import figure_of
from tracelog.trends.page import (
    PAGE_FIELDS,
    answer_for,
    choices,
    page_known,
    read_questions,
    shown_choices,
    trends_page,
)
from tracelog.trends.tables import sheet_of
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.request import current_session, now, permit, the_plant_now

trends = Blueprint("trends", __name__)


@trends.get("/trends")
@permit("see")
def trends_view() -> tuple[str, int]:
    """Rates by machine, a control chart over time, and the kinds of defect in order."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known, kinds = page_known(session, plant, places, now())
    values = request.args.to_dict(flat=False)
    offered = choices(plant, places, kinds)
    form = asked(PAGE_FIELDS)
    explored = request.args.get("explore") == "yes"
    try:
        questions = read_questions(values, known)
        form = Form(shown_choices(questions, values, plant.zone))
        page = trends_page(session, plant, places, kinds, questions)
    except TracelogError as problem:
        form = form.with_problem(problem)
        return render_template("trends/trends.html", form=form, offered=offered, page=None), 400
    return (
        render_template(
            "trends/trends.html", form=form, offered=offered, page=page, explored=explored
        ),
        200,
    )


@trends.get("/trends/<figure>.<kind>")
@permit("see")
def figure_file(figure: str, kind: str) -> Response:
    """The figures of one part of the page, as CSV, XLSX, or JSON for the chart library."""
    if figure not in ("rates", "chart", "pareto") or kind not in ("csv", "xlsx", "json"):
        raise NotFound(_("there is no such file; there are rates, chart and pareto as csv or xlsx"))
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known, _kinds = page_known(session, plant, places, now())
    questions = read_questions(request.args.to_dict(flat=False), known)
    answer = answer_for(figure, session, plant, places, questions)
    if kind == "json":
        drawn = json.dumps(figure_of(answer, plant.zone))
        return Response(drawn, content_type="application/json")
    sheet = sheet_of(answer, plant.zone)
    period = f"{questions.chart.start:%Y-%m-%d}-{questions.chart.end:%Y-%m-%d}"
    return sheet_file(sheet, f"{figure}-{period}", kind)
