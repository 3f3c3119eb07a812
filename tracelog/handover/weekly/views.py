"""The weekly review, for the morning meeting."""

from datetime import date

from flask import Blueprint, Response, render_template

from tracelog.errors import BadFact, TracelogError
from tracelog.facts import read_day
from tracelog.handover.views import happened_words
from tracelog.handover.weekly.answers import week_answer, week_sheet
from tracelog.handover.weekly.queries import WeekPage, week_page
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.strict_json import answer_json

week_pages = Blueprint("handover_week", __name__)


@week_pages.get("/handover/week")
@permit("see")
def week() -> str | tuple[str, int]:
    """The week that holds ``?from=``; without it the last that has ended."""
    form, status = asked(("from",)), 200
    try:
        page = _asked(_day(form))
    except TracelogError as problem:
        form, status = form.with_problem(problem), BadFact.status
        page = _asked(None)
    shown = render_template("handover/week.html", page=page, form=form, happened=happened_words())
    return shown, status


@week_pages.get("/handover/week.json")
@permit("see")
def week_json() -> Response:
    """The same as the documented answer."""
    return answer_json(week_answer(_asked(_day(asked(("from",))))))


@week_pages.get("/handover/week.<kind>")
@permit("see")
def week_file(kind: str) -> Response:
    """What changed and the totals as a table, ``csv`` or ``xlsx``."""
    demand_kind(kind)
    page = _asked(_day(asked(("from",))))
    sheet = week_sheet(page, the_plant_now().zone)
    return sheet_file(sheet, f"week-{page.week.monday}", kind)


def _asked(day: date | None) -> WeekPage:
    return week_page(current_session(), the_plant_now(), day, now())


def _day(form: Form) -> date | None:
    """The day asked for.

    Raises:
        TracelogError: it is none.
    """
    if not form.value("from"):
        return None
    try:
        return read_day(form.value("from"))
    except ValueError as problem:
        raise TracelogError(str(problem), "from") from None
