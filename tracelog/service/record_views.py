"""The pages on which a service, or a change of tools, is recorded."""

from collections.abc import Sequence
from datetime import datetime
from urllib.parse import urlencode

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.instants import moment_or_day
from tracelog.language import _
from tracelog.plant.choosing import chosen_bodymaker
from tracelog.plant.facts import RemovalReason
from tracelog.plant.queries import BODYMAKER, MachineView, directory
from tracelog.plant.stays import ToolStay, tool_stays
from tracelog.reference import tool_types
from tracelog.service.actions import record_services
from tracelog.service.facts import ServiceFact, ToolChangeFact
from tracelog.service.pins import Pin, open_pins
from tracelog.service.queries import levels
from tracelog.service.tool_changes import accept, change_tool, known_positions
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, may, now, permit, the_plant_now

pages = Blueprint("service_records", __name__)
SERVICE_FIELDS = ("machine", "service", "done_at", "unplanned", "note")
TOOL_FIELDS = ("machine", "position", "at", "removal_reason", "serial", "tool_type")
# Of each tool on the page that asks for changed ones; a number follows.
CHANGED_FIELDS = ("position", "out", "removal_reason", "serial", "tool_type")
MOST_CHANGED = 40


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
        inside=_inside(view, now()) if view else (),
        positions=known_positions(session),
        services=[one.service for one in levels(session) if one.station == BODYMAKER],
        types=[one.tool_type for one in tool_types() if one.station == BODYMAKER],
        reasons=[reason.value for reason in RemovalReason],
    )


def _inside(machine: MachineView, moment: datetime) -> Sequence[ToolStay]:
    """Tools that were in a machine at an instant, by position."""
    stays = tool_stays(current_session(), moment, moment, machine_ids=[machine.id], as_of=now())
    return sorted(
        (
            stay
            for stay in stays
            if stay.fitted_at < moment and (stay.removed_at is None or stay.removed_at > moment)
        ),
        key=lambda stay: stay.position,
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
        promised = open_pins(current_session(), now(), machine.id)
        accept(record_services(current_session(), [fact], current_actor(), now()))
    except TracelogError as problem:
        shown = form.with_problem(problem)
        return _page(shown, _afresh(form)), problem.status
    flash(_("Kept: %(service)s on %(machine)s.", service=fact.service, machine=machine.text))
    _tell_kept_promises(promised, machine)
    if not may("record tool change") or not _inside(machine, fact.done_at):
        return redirect(_machine_path(machine), 303)
    at = for_field(fact.done_at, the_plant_now().zone)
    asks = urlencode({"machine": machine.text, "at": at})
    return redirect(f"/service/record/tools?{asks}", 303)


def _tell_kept_promises(before: Sequence[Pin], machine: MachineView) -> None:
    standing = {pin.id for pin in open_pins(current_session(), now(), machine.id)}
    for pin in before:
        if pin.id not in standing:
            flash(
                _(
                    "The promise of %(service)s for %(day)s is kept;"
                    " its line of the plan is closed.",
                    service=pin.service,
                    day=pin.pinned_on,
                )
            )


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
    return chosen_bodymaker(
        current_session(),
        form.value("machine"),
        lambda text: _("%(machine)s is no bodymaker; choose one such as 3-7", machine=text),
    )


def _not_ahead(moment: datetime, name: str) -> None:
    if moment > now():
        raise TracelogError(_("lies ahead; only what was done is recorded"), name)


def _machine_path(machine: MachineView) -> str:
    return f"/machines/{machine.line}/{machine.station}/{machine.number}"


@pages.get("/service/record/tools")
@permit("record tool change")
def tools_changed_page() -> str:
    """Asks which tools were changed with a service: every tool in the machine, one row each."""
    form = asked(("machine", "at"))
    machine, moment = _machine(form), _moment(form)
    shown = Form({**form.values, "at": for_field(moment, the_plant_now().zone)})
    return _tools_page(shown, machine, moment)


def _moment(form: Form) -> datetime:
    if not form.value("at"):
        return now()
    try:
        return moment_or_day(form.value("at"), the_plant_now().zone)
    except ValueError as problem:
        raise TracelogError(str(problem), "at") from None


def _tools_page(form: Form, machine: MachineView, moment: datetime) -> str:
    inside = _inside(machine, moment)
    return render_template(
        "service/tools_changed.html",
        form=form,
        machine=machine,
        inside=list(enumerate(inside[:MOST_CHANGED])),
        reasons=[reason.value for reason in RemovalReason],
        types=[one.tool_type for one in tool_types() if one.station == BODYMAKER],
        path=_machine_path(machine),
    )


@pages.post("/service/record/tools")
@permit("record tool change")
def record_tools_changed() -> AnyResponse | tuple[str, int]:
    """Keep all changes of tools that were told together, or none of them."""
    numbered = [f"{name}-{number}" for number in range(MOST_CHANGED) for name in CHANGED_FIELDS]
    form = posted(("machine", "at", *numbered))
    machine, moment = _machine(form), _moment(form)
    _not_ahead(moment, "at")
    told = [number for number in range(MOST_CHANGED) if _is_told(form, number)]
    try:
        # Taken back as a whole before the page is shown again, which tells what is on record.
        with current_session().begin_nested():
            _change_all(form, told, machine)
    except BadFact as problem:
        return _tools_page(form.with_problem(problem), machine, moment), problem.status
    if told:
        flash(
            _(
                "Kept: %(count)d changed tools of %(machine)s.",
                count=len(told),
                machine=machine.text,
            )
        )
    return redirect(_machine_path(machine), 303)


def _change_all(form: Form, told: Sequence[int], machine: MachineView) -> None:
    faults: list[Fault] = []
    for number in told:
        try:
            change_tool(current_session(), _change(form, number, machine), current_actor(), now())
        except TracelogError as problem:
            faults += [Fault(f"{one.field}-{number}", one.sentence) for one in problem.faults]
    if faults:
        raise BadFact(tuple(faults))


def _is_told(form: Form, number: int) -> bool:
    return bool(form.value(f"serial-{number}") or form.value(f"out-{number}"))


def _change(form: Form, number: int, machine: MachineView) -> ToolChangeFact:
    names = ("position", "removal_reason", "serial", "tool_type")
    values = {name: form.value(f"{name}-{number}") for name in names}
    place = {"line": machine.line, "bodymaker": machine.number, "at": form.value("at")}
    return ToolChangeFact.read({**values, **place}, the_plant_now().zone)
