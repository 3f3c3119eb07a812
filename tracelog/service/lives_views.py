"""The pages of lives: all types of tool, and one of them; its costs; its lives as a file."""

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import NotFound, TracelogError, UnknownReference
from tracelog.facts import write_value
from tracelog.language import _
from tracelog.service.actions import record_replacement_costs
from tracelog.service.facts import ReplacementCostFact
from tracelog.service.lives import CostEntered, ToolLives, lives_by_type, lives_of
from tracelog.service.lives_answers import lives_sheet
from tracelog.service.lives_page import KindPage, kind_page, kind_path, list_page
from tracelog.service.machine_lives import machine_lives
from tracelog.service.tool_changes import accept
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.sheets import CSV_TYPE, as_csv

lives_pages = Blueprint("lives", __name__)
COST_FIELDS = ("tool_type", "planned_cost", "unplanned_cost", "interval_strokes", "note")


@lives_pages.get("/service/lives")
@permit("see")
def lives_page() -> str:
    """Every type of tool with its shape, B10 life and best interval; machines since overhaul."""
    session = current_session()
    kinds, without_type = lives_by_type(session, now())
    page = list_page(kinds, without_type, machine_lives(session, now()))
    return render_template("service/lives.html", page=page)


@lives_pages.get("/service/lives/<path:tool_type>")
@permit("see")
def life_page(tool_type: str) -> str:
    """One type of tool, of all positions or one: plots, curve, lives, and what replacing costs."""
    kind = _kind(tool_type, asked(("position",)).value("position"))
    return _shown(kind_page(kind), _entered(kind.entered))


@lives_pages.get("/service/lives.csv")
@permit("see")
def lives_file() -> Response:
    """The lives of one type of tool, of all positions or one, as CSV."""
    form = asked(("tool_type", "position"))
    kind = _kind(form.value("tool_type"), form.value("position"))
    made = Response(as_csv(lives_sheet(kind.lives, the_plant_now().zone)), content_type=CSV_TYPE)
    made.headers["Content-Disposition"] = 'attachment; filename="lives.csv"'
    return made


@lives_pages.post("/service/replacement-costs")
@permit("plan services")
def keep_costs() -> AnyResponse | tuple[str, int]:
    """Keep what replacing tools of one type costs."""
    form = posted(COST_FIELDS)
    kind = _kind(form.value("tool_type"), "")
    try:
        fact = ReplacementCostFact.read(form.values, the_plant_now().zone)
        accept(record_replacement_costs(current_session(), [fact], current_actor(), now()))
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _shown(kind_page(kind), shown), problem.status
    flash(_("Kept: what replacing a %(type)s costs.", type=fact.tool_type))
    return redirect(kind_path(fact.tool_type), 303)


def _kind(tool_type: str, position: str) -> ToolLives:
    try:
        return lives_of(current_session(), now(), tool_type, position or None)
    except UnknownReference as problem:
        raise NotFound(problem.sentence) from None


def _entered(cost: CostEntered) -> Form:
    values = {
        "tool_type": cost.tool_type,
        "planned_cost": cost.planned_cost,
        "unplanned_cost": cost.unplanned_cost,
        "interval_strokes": cost.interval_strokes,
        "note": cost.note,
    }
    return Form({name: write_value(value) for name, value in values.items()})


def _shown(page: KindPage, form: Form) -> str:
    return render_template("service/life.html", page=page, form=form)
