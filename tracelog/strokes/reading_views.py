"""The page on which somebody keeps what they read off a counter."""

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.outcomes import UNCHANGED, demand_kept
from tracelog.plant.choosing import chosen_bodymaker
from tracelog.plant.queries import MachineView, directory
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.fields import bare_figure, field_instant
from tracelog.strokes.manual_reading import doubt_about, expected_now
from tracelog.strokes.queries import last_reading
from tracelog.strokes.wording import doubt_sentence, expected_figures
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import count
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

reading_pages = Blueprint("counter_reading", __name__)
FIELDS = ("machine", "strokes", "read_at", "confirmed")


@reading_pages.get("/counters/reading")
@permit("read counter")
def reading_page() -> str:
    """The form for one machine."""
    form = asked(("machine",))
    machine = _machine(form) if form.value("machine") else None
    return _page(form, machine)


def _machine(form: Form) -> MachineView:
    return chosen_bodymaker(
        current_session(),
        form.value("machine"),
        lambda text: _("%(machine)s has no counter; choose a bodymaker such as 3-7", machine=text),
    )


def _page(form: Form, machine: MachineView | None, doubt: str = "") -> str:
    session, zone = current_session(), the_plant_now().zone
    present = field_instant(now(), zone, seconds=False)
    expected = last = None
    if machine is not None:
        last = last_reading(session, [machine.id], as_of=now()).get(machine.id)
        expected = expected_now(session, machine, now())
    return render_template(
        "strokes/reading.html",
        form=Form({"read_at": present.value, **form.values}, form.faults),
        at_type=present.type,
        machine=machine,
        machines=[one.text for one in directory(session).bodymakers],
        last=last,
        expected=expected_figures(expected) if expected else "",
        doubt=doubt,
        figure=bare_figure(form.value("strokes")),
    )


@reading_pages.post("/counters/reading")
@permit("read counter")
def keep_reading() -> AnyResponse | tuple[str, int]:
    """Keep a figure, or ask once more where it is improbable."""
    form = posted(FIELDS)
    machine = None
    session, zone = current_session(), the_plant_now().zone
    try:
        machine = _machine(form)
        figure = bare_figure(form.value("strokes"))
        place = {"line": machine.line, "bodymaker": machine.number}
        at = form.value("read_at") or now()
        fact = ReadingFact.read({**place, "read_at": at, "strokes": figure}, zone)
        if form.value("confirmed") != str(fact.strokes):
            doubt = doubt_about(session, machine, fact.read_at, fact.strokes)
            if doubt is not None and _could_be_kept(fact, machine):
                sentence = doubt_sentence(doubt, fact.strokes, fact.read_at, zone)
                return _page(form, machine, sentence), 422
        (outcome,) = record_readings(session, [fact], current_actor(), now())
        demand_kept([outcome], {"bodymaker": "machine", "line": "machine"})
    except TracelogError as problem:
        return _page(form.with_problem(problem), machine), problem.status
    values = {"machine": machine.text, "strokes": count(fact.strokes)}
    flash(
        _("It was on record already: %(machine)s showed %(strokes)s.", **values)
        if outcome is UNCHANGED
        else _("Kept: %(machine)s showed %(strokes)s.", **values)
    )
    return redirect(f"/machines/{machine.line}/{machine.station}/{machine.number}", 303)


def _could_be_kept(fact: ReadingFact, machine: MachineView) -> bool:
    """Whether a figure is possible at all; what is not is refused and not asked about."""
    last = machine.counter_max
    return fact.read_at <= now() and (last is None or fact.strokes <= last)
