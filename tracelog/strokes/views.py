"""Pages of the counters: what is open about them, and settling it."""

from typing import Any

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import Conflict, NotFound, TracelogError
from tracelog.instants import parse_instant, show_instant, write_instant
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.queries import MachineView, directory
from tracelog.strokes.actions import record_counter_events
from tracelog.strokes.facts import CounterDecisionFact, CounterEvent, CounterEventFact, Verdict
from tracelog.strokes.fields import bare_figure, field_instant
from tracelog.strokes.question_page import QuestionPage, question_page
from tracelog.strokes.question_rules import explains
from tracelog.strokes.questions import jump_questions, limits_of, settled_jumps, silences
from tracelog.strokes.settlement_actions import settle_counters
from tracelog.strokes.wording import (
    decision,
    jump_consequence,
    jump_happened,
    jump_heading,
)
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import count
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("counters", __name__)
MOST_SETTLED = 50
SETTLE_FIELDS = (
    *("machine", "to_at", "from_at", "last_settled_at", "last_before_at"),
    *("answer", "strokes", "note"),
)
EVENT_FIELDS = ("machine", "to_at", "from_at", "event", "at", "strokes_after")
# What people decided before cannot be seen as a field, so that it is told above the form.
_UNSEEN = dict.fromkeys(("to_at", "from_at", "last_settled_at", "settled_at", "line"), "")


@pages.get("/counters")
@permit("see")
def counters_page() -> str:
    """What is open about the counters of all machines, and what was settled lately."""
    session, present, zone = current_session(), now(), the_plant_now().zone
    jumps = [
        {
            "machine": one.machine,
            "heading": jump_heading(one.kind),
            "happened": jump_happened(one, zone),
            "consequence": jump_consequence(one),
            "last": one.last_settlement,
            "at": write_instant(one.figures.to_at),
        }
        for one in jump_questions(session, present)
    ]
    quiet = silences(session, present)
    return render_template(
        "strokes/counters.html",
        jumps=jumps,
        silences=list(quiet.values()),
        all_silent=1 < len(quiet) == len(directory(session).bodymakers),
        settled=settled_jumps(session, present, MOST_SETTLED),
        decision=decision,
        write_instant=write_instant,
    )


@pages.get("/counters/question")
@permit("see")
def question() -> str:
    """One reading in question, and the ways to settle it."""
    page = _page_of(asked(("machine", "to_at")))
    return _render(page, Form(), Form())


def _page_of(form: Form) -> QuestionPage:
    """The reading that a form or an address names.

    Raises:
        NotFound: it names no reading.
    """
    session = current_session()
    try:
        machine = directory(session).machine_named(form.value("machine"))
        read_at = parse_instant(form.value("to_at"), the_plant_now().zone)
    except (TracelogError, ValueError) as problem:
        raise NotFound(str(problem)) from None
    return question_page(session, machine, read_at, now())


def _render(page: QuestionPage, settle_form: Form, event_form: Form) -> str:
    zone, found = the_plant_now().zone, page.question
    values = {"strokes": str(found.estimate) if found and found.estimate is not None else ""}
    likely = {}
    if page.event is not None:
        likely = {
            "event": page.event.event.value,
            "at": field_instant(page.event.at, zone).value,
            "strokes_after": str(page.event.strokes_after),
        }
    return render_template(
        "strokes/question.html",
        page=page,
        question=found,
        heading=jump_heading(found.kind) if found else "",
        happened=jump_happened(found, zone) if found else "",
        consequence=jump_consequence(found) if found else "",
        settle_form=Form({**values, **settle_form.values}, settle_form.faults),
        event_form=Form({**likely, **event_form.values}, event_form.faults),
        at_type=field_instant(page.event.at, zone).type if page.event else "",
        events=event_words(),
        seen=_seen(page),
        decision=decision,
        write_instant=write_instant,
    )


def _seen(page: QuestionPage) -> dict[str, str]:
    """What who answers has before them, carried along so that a later decision is not lost."""
    seen = {"machine": page.machine.text, "to_at": write_instant(page.read_at)}
    if page.figures is not None:
        seen["from_at"] = write_instant(page.figures.from_at)
    if page.last is not None:
        seen["last_settled_at"] = write_instant(page.last.settled_at)
    if page.last_before is not None:
        seen["last_before_at"] = write_instant(page.last_before.settled_at)
    return seen


def event_words() -> list[tuple[str, str]]:
    """What can be done to a counter, in words."""
    return [
        (CounterEvent.RESET.value, _("reset to 0")),
        (CounterEvent.PRESET.value, _("preset to another figure")),
        (CounterEvent.REPLACED.value, _("replaced by another counter")),
    ]


@pages.post("/counters/settle")
@permit("settle counter")
def settle_question() -> AnyResponse | tuple[str, int]:
    """Keep what somebody decided on a jump."""
    form = posted(SETTLE_FIELDS)
    page = _page_of(form)
    try:
        fact = CounterDecisionFact.read(_decision(form, page), the_plant_now().zone)
        outcomes = settle_counters(current_session(), [fact], current_actor(), now())
        demand_kept(outcomes, _UNSEEN)
    except TracelogError as problem:
        return _render(page, form.with_problem(problem), Form()), problem.status
    flash(_said(page.machine, fact))
    return redirect("/counters", 303)


def _decision(form: Form, page: QuestionPage) -> dict[str, Any]:
    """The fields of the decision that a button of the form means."""
    answer = form.value("answer")
    fields: dict[str, Any] = {
        "line": page.machine.line,
        "bodymaker": page.machine.number,
        "to_at": form.value("to_at"),
        "note": form.value("note"),
        "last_settled_at": form.value("last_settled_at"),
    }
    if answer == "earlier":
        seen = {"to_at": form.value("from_at"), "last_settled_at": form.value("last_before_at")}
        return fields | seen | {"verdict": Verdict.MISREAD.value}
    if answer in ("later", "open"):
        verdict = Verdict.MISREAD if answer == "later" else Verdict.OPEN
        return fields | {"verdict": verdict.value}
    strokes = {"none": "0", "typed": bare_figure(form.value("strokes"))}.get(answer)
    if answer == "shown" and page.question and page.question.shown is not None:
        strokes = str(page.question.shown)
    if strokes is None:
        raise TracelogError(_("is no answer to this question; choose one of the buttons"))
    made = {"verdict": Verdict.MADE.value, "from_at": form.value("from_at"), "strokes": strokes}
    return fields | made


def _said(machine: MachineView, fact: CounterDecisionFact) -> str:
    if fact.verdict is Verdict.OPEN:
        return _("Opened again: the counter of %(machine)s.", machine=machine.text)
    if fact.verdict is Verdict.MISREAD:
        return _(
            "Settled: that reading of %(machine)s counts no more; it stays on record.",
            machine=machine.text,
        )
    if not fact.strokes:
        return _("Settled: no strokes of %(machine)s were made.", machine=machine.text)
    return _(
        "Settled: %(strokes)s strokes of %(machine)s are counted.",
        strokes=count(fact.strokes),
        machine=machine.text,
    )


@pages.post("/counters/event")
@permit("settle counter")
def record_event() -> AnyResponse | tuple[str, int]:
    """Keep that a counter was reset, preset or replaced within the stretch in question."""
    form = posted(EVENT_FIELDS)
    page = _page_of(form)
    try:
        fact = CounterEventFact.read(
            {
                "line": page.machine.line,
                "bodymaker": page.machine.number,
                "at": form.value("at"),
                "event": form.value("event"),
                "strokes_after": bare_figure(form.value("strokes_after")),
            },
            the_plant_now().zone,
        )
        _check_event(form, page, fact)
        demand_kept(record_counter_events(current_session(), [fact], current_actor(), now()))
    except TracelogError as problem:
        return _render(page, Form(), form.with_problem(problem)), problem.status
    flash(
        _(
            "Kept: the counter of %(machine)s was %(event)s.",
            machine=page.machine.text,
            event=dict(event_words())[fact.event.value],
        )
    )
    return redirect("/counters", 303)


def _check_event(form: Form, page: QuestionPage, fact: CounterEventFact) -> None:
    """Refuse an event that leaves the jump in question, since an event cannot be taken back."""
    figures = page.figures
    if (
        page.question is None
        or figures is None
        or form.value("from_at") != write_instant(figures.from_at)
    ):
        raise Conflict(
            _(
                "the question is another by now, since somebody settled it or a reading came late;"
                " look at it again"
            )
        )
    zone = the_plant_now().zone
    if not figures.from_at < fact.at <= figures.to_at:
        raise TracelogError(
            _(
                "lies outside of the stretch; give a time after %(start)s and up to %(end)s",
                start=show_instant(figures.from_at, zone, seconds=True),
                end=show_instant(figures.to_at, zone, seconds=True),
            ),
            "at",
        )
    if not explains(figures, fact.at, fact.strokes_after, limits_of(page.machine)):
        raise TracelogError(
            _(
                "does not explain it: from %(after)s the counter cannot have come to %(shown)s in"
                " that time; give another figure or time",
                after=count(fact.strokes_after),
                shown=count(figures.to_strokes),
            ),
            "strokes_after",
        )
