"""The Service page, and the page on which a service or a tool change is recorded."""

from collections.abc import Sequence
from datetime import datetime

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, TracelogError
from tracelog.language import _
from tracelog.outcomes import Outcome
from tracelog.plant.facts import RemovalReason, ToolFact, ToolFitFact
from tracelog.plant.queries import MachineView, directory
from tracelog.plant.stays import ToolStay, tool_stays
from tracelog.plant.tool_actions import record_tool_fits, record_tools
from tracelog.reference import tool_types
from tracelog.service.actions import record_services
from tracelog.service.facts import ServiceFact
from tracelog.service.queries import levels, service_standings, tool_standings
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("service", __name__)
SERVICE_FIELDS = ("machine", "service", "done_at", "unplanned", "note")
TOOL_FIELDS = ("machine", "position", "at", "removal_reason", "serial", "tool_type")
MOST_TOOLS = 60


@pages.get("/service")
@permit("see")
def service_page() -> str:
    """Machines and tools by strokes since service and due date."""
    session = current_session()
    standings = service_standings(session, now())
    chosen = asked(("service",)).value("service")
    names = list(dict.fromkeys(one.level.service for one in standings))
    return render_template(
        "service/service.html",
        standings=[one for one in standings if chosen in ("", one.level.service)],
        tools=[one for one in tool_standings(session, now()) if one.life_strokes][:MOST_TOOLS],
        services=names,
        chosen=chosen,
    )


@pages.get("/service/record")
@permit("record service")
def record_page() -> str:
    """Two forms for one machine: a service that was done, a tool that was changed."""
    form = asked(("machine", "position"))
    present = for_field(now(), the_plant_now().zone)
    filled = Form({**form.values, "done_at": present, "at": present})
    return _page(filled, filled)


def _page(service_form: Form, tool_form: Form) -> str:
    session = current_session()
    plant = directory(session)
    machine = service_form.value("machine") or tool_form.value("machine")
    inside: Sequence[ToolStay] = ()
    try:
        view = plant.machine_named(machine) if machine else None
    except TracelogError:
        view = None
    if view is not None:
        stays = tool_stays(session, now(), now(), machine_ids=[view.id], as_of=now())
        inside = sorted(
            (stay for stay in stays if stay.removed_at is None), key=lambda stay: stay.position
        )
    return render_template(
        "service/record.html",
        service_form=service_form,
        tool_form=tool_form,
        machines=[one.text for one in plant.bodymakers],
        inside=inside,
        services=[level.service for level in levels(session)],
        types=[one.tool_type for one in tool_types()],
        reasons=[reason.value for reason in RemovalReason],
    )


@pages.post("/service/record")
@permit("record service")
def record_service() -> AnyResponse | tuple[str, int]:
    """Keep a service that was done."""
    form = posted(SERVICE_FIELDS)
    try:
        machine = _machine(form)
        values = {name: form.value(name) for name in ("service", "done_at", "note")}
        values["unplanned"] = form.value("unplanned") or "no"
        place = {"line": machine.line, "bodymaker": machine.number}
        fact = ServiceFact.read({**values, **place}, the_plant_now().zone)
        _not_ahead(fact.done_at, "done_at")
        _accept(record_services(current_session(), [fact], current_actor(), now()))
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _page(shown, Form({"machine": form.value("machine")})), problem.status
    flash(_("Kept: %(service)s on %(machine)s.", service=fact.service, machine=machine.text))
    return redirect(_machine_path(machine), 303)


@pages.post("/service/tool-change")
@permit("record tool change")
def record_tool_change() -> AnyResponse | tuple[str, int]:
    """Keep that a tool was taken out, and which one was put in its place."""
    form = posted(TOOL_FIELDS)
    try:
        machine = _machine(form)
        _change_tool(machine, form)
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _page(Form({"machine": form.value("machine")}), shown), problem.status
    flash(_("Kept: %(place)s of %(machine)s.", place=form.value("position"), machine=machine.text))
    return redirect(_machine_path(machine), 303)


def _change_tool(machine: MachineView, form: Form) -> None:
    session, zone, actor = current_session(), the_plant_now().zone, current_actor()
    at, position = form.value("at"), form.value("position")
    place = {"line": machine.line, "bodymaker": machine.number, "position": position}
    new = ToolFitFact.read({**place, "serial": form.value("serial") or "-", "fitted_at": at}, zone)
    _not_ahead(new.fitted_at, "at")
    inside = [
        stay
        for stay in tool_stays(session, new.fitted_at, new.fitted_at, machine_ids=[machine.id])
        if stay.position == position and stay.fitted_at < new.fitted_at
    ]
    out = [stay for stay in inside if stay.removed_at is None]
    if not out and not form.value("serial"):
        raise TracelogError(_("is missing; no tool is in that position to be taken out"), "serial")
    facts = [
        ToolFitFact.read(
            {
                **place,
                "serial": stay.serial,
                "fitted_at": stay.fitted_at,
                "removed_at": new.fitted_at,
                "removal_reason": form.value("removal_reason") or RemovalReason.UNKNOWN.value,
            },
            zone,
        )
        for stay in out
    ]
    if form.value("serial"):
        kind = ToolFact.read({"serial": new.serial, "tool_type": form.value("tool_type")}, zone)
        _accept(record_tools(session, [kind], actor, now()))
        facts.append(new)
    _accept(record_tool_fits(session, facts, actor, now()))


def _machine(form: Form) -> MachineView:
    if not form.value("machine"):
        raise TracelogError(_("is missing; choose a bodymaker such as 3-7"), "machine")
    return directory(current_session()).machine_named(form.value("machine"))


def _not_ahead(moment: datetime, name: str) -> None:
    if moment > now():
        raise TracelogError(_("lies ahead; only what was done is recorded"), name)


def _accept(outcomes: Sequence[Outcome]) -> None:
    """Raise what an action refused, told at the fields of the form."""
    renamed: dict[str, str] = {"bodymaker": "machine", "line": "machine", "fitted_at": "at"}
    faults = [
        type(fault)(renamed.get(fault.field, fault.field), fault.sentence)
        for outcome in outcomes
        for fault in outcome.faults
    ]
    if faults:
        raise BadFact(tuple(faults))


def _machine_path(machine: MachineView) -> str:
    return f"/machines/{machine.line}/{machine.station}/{machine.number}"
