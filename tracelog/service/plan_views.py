"""The Plan page: the plan, what a promise would cost, promising, settings, and its files."""

import uuid
from functools import partial

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, Conflict, Fault, TracelogError
from tracelog.facts import read_id, whole_number
from tracelog.language import _
from tracelog.plant.choosing import chosen_bodymaker
from tracelog.plant.queries import BODYMAKER, directory
from tracelog.service.pin_actions import pin_service, unpin_service
from tracelog.service.pin_facts import PinRequest
from tracelog.service.pins import planning
from tracelog.service.plan_commands import what_is_proven
from tracelog.service.plan_files import CALENDAR_TYPE, plan_calendar, plan_sheet
from tracelog.service.plan_page import moved_by, open_pins_of, page_of, plan_path, week_ahead
from tracelog.service.plan_reading import read_inputs
from tracelog.service.plan_wishes import Preview, check_wish, preview, standing_pin
from tracelog.service.planning_actions import record_planning_settings
from tracelog.service.planning_facts import (
    ANY,
    LONGEST_HORIZON_DAYS,
    MOST_CREWS,
    WEEK,
    Planning,
    PlanningSettingFact,
    PlanningSettingName,
    settings_of,
)
from tracelog.service.plans import ServicePlan, asked_planning, plan_services, settled_instant
from tracelog.service.queries import levels
from tracelog.service.tool_changes import accept
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.sheets import CSV_TYPE, as_csv

plan_pages = Blueprint("plan", __name__)
# Whoever looks at a page waits no longer than this for each plan.
PAGE_SECONDS = 8.0
CHOSEN = ("crews", "horizon")
WISH_FIELDS = ("machine", "service", "pinned_on", "note")
SETTINGS = tuple(
    one.value for one in PlanningSettingName if one is not PlanningSettingName.WORK_DAYS
)


@plan_pages.get("/service/plan")
@permit("see")
def plan_page() -> str | tuple[str, int]:
    """The plan as it stands; with a wish in the address, what it would cost to promise it."""
    form = asked((*CHOSEN, *WISH_FIELDS))
    try:
        plan = _plan(form)
    except BadFact as problem:
        form = form.with_problem(problem)
        return _shown(_plan(Form()), form), 400
    if not form.value("pinned_on"):
        return _shown(plan, form)
    try:
        wish = _wish(form)
        found = _preview(plan, wish)
    except TracelogError as problem:
        return _shown(plan, form.with_problem(problem)), problem.status
    return _shown(plan, form, found)


def _plan(form: Form) -> ServicePlan:
    session, (crews, horizon) = current_session(), _chosen(form)
    moment = settled_instant(session, now())
    return plan_services(session, moment, asked_planning(session, crews, horizon), PAGE_SECONDS)


def _chosen(form: Form) -> tuple[int | None, int | None]:
    """Crews and days as the address says, None where it does not."""
    found: list[int | None] = []
    faults = []
    for name, most in (("crews", MOST_CREWS), ("horizon", LONGEST_HORIZON_DAYS)):
        found.append(None)
        if form.value(name):
            try:
                found[-1] = whole_number(form.value(name), 1, most)
            except ValueError as problem:
                faults.append(Fault(name, str(problem)))
    if faults:
        raise BadFact(tuple(faults))
    return found[0], found[1]


def _wish(form: Form) -> PinRequest:
    machine = chosen_bodymaker(
        current_session(),
        form.value("machine"),
        lambda text: _("%(machine)s is no bodymaker; choose one such as 3-7", machine=text),
    )
    values = {name: form.value(name) for name in ("service", "pinned_on", "note")}
    place = {"line": machine.line, "bodymaker": machine.number}
    return PinRequest.read({**values, **place}, the_plant_now().zone)


def _preview(plan: ServicePlan, wish: PinRequest) -> Preview:
    session = current_session()
    known = directory(session)
    machine = known.bodymaker(wish.line, wish.bodymaker)
    wished = [(machine.id, wish.service)]
    inputs = read_inputs(session, plan.as_of, plan.planning, wished)
    return preview(inputs, known, wish, plan.planning, plan.as_of, PAGE_SECONDS)


def _shown(
    plan: ServicePlan, form: Form, found: Preview | None = None, settings: Form | None = None
) -> str:
    session = current_session()
    crews, horizon = _chosen(_only_chosen(form))
    machine = directory(session).machine_named(form.value("machine")) if found else None
    said = planning(session)
    if settings is None:
        values = dict(settings_of(said))
        settings = Form({**values, **dict.fromkeys(values["work_days"].split(), "yes")})
    return render_template(
        "service/plan.html",
        page=page_of(plan),
        plan=plan,
        proven=what_is_proven(plan),
        form=form,
        settings_form=settings,
        found=found,
        moved=moved_by(found) if found else (),
        seen=standing_pin(plan.inputs, machine.id, form.value("service")) if machine else None,
        pins=open_pins_of(plan),
        machines=[one.text for one in directory(session).bodymakers],
        services=[one.service for one in levels(session) if one.station == BODYMAKER],
        week_days=WEEK,
        setting_names=SETTINGS,
        path=partial(plan_path, crews, horizon),
    )


@plan_pages.post("/service/plan/pins")
@permit("plan services")
def promise() -> AnyResponse | tuple[str, int]:
    """Promise a service on a day, or move a promise, as it was looked at before."""
    form = posted((*CHOSEN, *WISH_FIELDS, "seen"))
    session = current_session()
    try:
        wish = _wish(form)
        known = directory(session)
        machine = known.bodymaker(wish.line, wish.bodymaker)
        inputs = read_inputs(session, now(), planning(session), [(machine.id, wish.service)])
        check_wish(inputs, known, wish)
        pin_service(session, wish, current_actor(), now(), seen=_seen(form))
    except TracelogError as problem:
        return _shown(_plan(_only_chosen(form)), form.with_problem(problem)), problem.status
    flash(
        _(
            "Promised: %(service)s on %(machine)s for %(day)s.",
            service=wish.service,
            machine=machine.text,
            day=wish.pinned_on,
        )
    )
    return _back(form)


def _seen(form: Form) -> uuid.UUID | None:
    if not form.value("seen"):
        return None
    try:
        return read_id(form.value("seen"))
    except ValueError:
        raise TracelogError(_("was changed on the way; look at the plan again")) from None


def _only_chosen(form: Form) -> Form:
    """What was chosen, as far as it can be read."""
    try:
        _chosen(form)
    except BadFact:
        return Form()
    return Form({name: form.value(name) for name in CHOSEN})


def _back(form: Form) -> AnyResponse:
    crews, horizon = _chosen(_only_chosen(form))
    return redirect(plan_path(crews, horizon), 303)


@plan_pages.post("/service/plan/pins/<uuid:pin_id>/unpin")
@permit("plan services")
def take_back(pin_id: uuid.UUID) -> AnyResponse:
    """Take a promise back."""
    form = posted(CHOSEN)
    unpin_service(current_session(), pin_id, current_actor(), now())
    flash(_("The promise is taken back; the plan is free to choose its day."))
    return _back(form)


@plan_pages.post("/service/plan/week")
@permit("plan services")
def promise_week() -> AnyResponse | tuple[str, int]:
    """Promise everything that the plan, as it was seen, has in the next seven days."""
    form = posted((*CHOSEN, "as_seen"))
    session, plan = current_session(), _plan(_only_chosen(form))
    week = week_ahead(plan)
    told = " ".join(f"{one.machine.text}/{one.service}/{one.day}" for one in week)
    if told != form.value("as_seen"):
        problem = Conflict(_("the plan has changed since you looked; look at the week again"))
        return _shown(plan, form.with_problem(problem)), problem.status
    for line in week:
        machine = line.machine
        wish = PinRequest(
            line=machine.line,
            bodymaker=machine.number,
            service=line.service,
            pinned_on=line.day,
        )
        there = standing_pin(plan.inputs, machine.id, line.service)
        seen = there.id if there else None
        pin_service(session, wish, current_actor(), now(), seen=seen)
    flash(_("Promised: %(count)d services of the next seven days.", count=len(week)))
    return _back(form)


@plan_pages.post("/service/plan/settings")
@permit("plan services")
def keep_settings() -> AnyResponse | tuple[str, int]:
    """Keep how services are planned."""
    form = posted((*SETTINGS, *WEEK))
    values = {name: form.value(name) for name in SETTINGS}
    values["work_days"] = " ".join(day for day in WEEK if form.value(day) == "yes")
    needed = dict(settings_of(Planning()))
    facts, faults = [], []
    for name, value in values.items():
        if not value and name in needed:
            faults.append(Fault(name, _("is missing; a value is needed")))
        else:
            try:
                facts.append(_setting(name, value or ANY))
            except BadFact as problem:
                faults += [Fault(name, one.sentence) for one in problem.faults]
    try:
        if faults:
            raise BadFact(tuple(faults))
        accept(record_planning_settings(current_session(), facts, current_actor(), now()))
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _shown(_plan(Form()), Form(), settings=shown), problem.status
    flash(_("Kept: how services are planned."))
    return redirect("/service/plan", 303)


def _setting(name: str, value: str) -> PlanningSettingFact:
    return PlanningSettingFact.read({"setting": name, "value": value}, the_plant_now().zone)


@plan_pages.get("/service/plan.ics")
@permit("see")
def plan_calendar_file() -> Response:
    """The plan as a calendar file."""
    plan = _plan(asked(CHOSEN))
    return _file(plan_calendar(plan, the_plant_now().name), CALENDAR_TYPE, "service-plan.ics")


@plan_pages.get("/service/plan.csv")
@permit("see")
def plan_table_file() -> Response:
    """The plan as CSV."""
    plan = _plan(asked(CHOSEN))
    return _file(as_csv(plan_sheet(plan, the_plant_now().zone)), CSV_TYPE, "service-plan.csv")


def _file(content: str | bytes, kind: str, name: str) -> Response:
    made = Response(content, content_type=kind)
    made.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return made
