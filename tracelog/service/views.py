"""The Service page, and the page on which a service or a tool change is recorded."""

from collections.abc import Sequence
from datetime import datetime

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import TracelogError, UnknownReference
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.plant.facts import RemovalReason
from tracelog.plant.queries import BODYMAKER, MachineView, directory
from tracelog.plant.stays import ToolStay, tool_stays
from tracelog.reference import tool_types
from tracelog.service.actions import record_services
from tracelog.service.facts import ServiceFact, ToolChangeFact
from tracelog.service.queries import levels, service_standings
from tracelog.service.tool_changes import accept, change_tool, known_positions
from tracelog.service.tool_standings import tool_standings
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
    names = list(dict.fromkeys(level.service for level in levels(session)))
    if chosen and chosen not in names:
        raise UnknownReference(
            _(
                "there is no service '%(service)s'; services are %(known)s",
                service=chosen[:40],
                known=known_words(names) or _("not entered yet"),
            ),
            "service",
        )
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
    machines = directory(session)
    named = service_form.value("machine") or tool_form.value("machine")
    view = next((one for one in machines.bodymakers if one.text == named), None)
    return render_template(
        "service/record.html",
        service_form=service_form,
        tool_form=tool_form,
        machine=view,
        machines=[one.text for one in machines.bodymakers],
        inside=_inside(view) if view else (),
        positions=known_positions(session),
        services=[one.service for one in levels(session) if one.station == BODYMAKER],
        types=[one.tool_type for one in tool_types() if one.station == BODYMAKER],
        reasons=[reason.value for reason in RemovalReason],
    )


def _inside(machine: MachineView) -> Sequence[ToolStay]:
    stays = tool_stays(current_session(), now(), now(), machine_ids=[machine.id], as_of=now())
    return sorted(
        (stay for stay in stays if stay.removed_at is None), key=lambda stay: stay.position
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
        accept(record_services(current_session(), [fact], current_actor(), now()))
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _page(shown, _afresh(form)), problem.status
    flash(_("Kept: %(service)s on %(machine)s.", service=fact.service, machine=machine.text))
    return redirect(_machine_path(machine), 303)


@pages.post("/service/tool-change")
@permit("record tool change")
def record_tool_change() -> AnyResponse | tuple[str, int]:
    """Keep that a tool was taken out, and which one was put in its place."""
    form = posted(TOOL_FIELDS)
    try:
        machine = _machine(form)
        values = {name: form.value(name) for name in TOOL_FIELDS if name != "machine"}
        place = {"line": machine.line, "bodymaker": machine.number}
        change = ToolChangeFact.read({**values, **place}, the_plant_now().zone)
        _not_ahead(change.at, "at")
        change_tool(current_session(), change, current_actor(), now())
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _page(_afresh(form), shown), problem.status
    flash(_("Kept: %(place)s of %(machine)s.", place=change.position, machine=machine.text))
    return redirect(_machine_path(machine), 303)


def _afresh(form: Form) -> Form:
    """The other form of the page, of the same machine."""
    present = for_field(now(), the_plant_now().zone)
    return Form({"machine": form.value("machine"), "done_at": present, "at": present})


def _machine(form: Form) -> MachineView:
    if not form.value("machine"):
        raise TracelogError(_("is missing; choose a bodymaker such as 3-7"), "machine")
    machine = directory(current_session()).machine_named(form.value("machine"))
    if machine.station != BODYMAKER:
        raise UnknownReference(
            _("%(machine)s is no bodymaker; choose one such as 3-7", machine=machine.text),
            "machine",
        )
    return machine


def _not_ahead(moment: datetime, name: str) -> None:
    if moment > now():
        raise TracelogError(_("lies ahead; only what was done is recorded"), name)


def _machine_path(machine: MachineView) -> str:
    return f"/machines/{machine.line}/{machine.station}/{machine.number}"
