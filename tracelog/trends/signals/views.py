"""The page of signals: what left its baseline, what was decided, and by what it is judged."""

from datetime import timedelta
from urllib.parse import urlencode

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import day_of
from tracelog.language import _, in_words
from tracelog.plant.queries import directory
from tracelog.trends.signals.actions import decide, set_budget
from tracelog.trends.signals.answers import lately, signals_sheet
from tracelog.trends.signals.facts import BudgetFact, DecisionFact
from tracelog.trends.signals.queries import (
    Signals,
    SignalView,
    budget_now,
    kept_epoch,
    kept_signals,
    worked_out_until,
)
from tracelog.trends.signals.rules import Decision
from tracelog.trends.signals.wording import card
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

signal_pages = Blueprint("signals", __name__)
DECISION_FIELDS = ("id", "machine", "defect", "kind", "raised_at", "decision", "reason")
BUDGET_FIELDS = ("false_signals_a_week", "reason")
# A chart of a signal begins so long before it did.
_BEFORE = timedelta(days=28)


@signal_pages.get("/trends/signals")
@permit("see")
def signals_page() -> str:
    """What is on, what ended in the last four weeks, and by what both are judged."""
    return _page(Form({}), Form({}))


def _kept() -> Signals:
    session = current_session()
    kept = kept_signals(session, directory(session))
    return lately(Signals(tuple(kept), kept_epoch(session), now()))


def _page(decided: Form, budget: Form) -> str:
    session, plant = current_session(), the_plant_now()
    found = _kept()
    titles = {kind.defect: in_words(kind.title) for kind in vocabulary(session)}
    until = worked_out_until(session)
    cards = [card(one, titles.get(one.defect, one.defect), _links(one)) for one in found.signals]
    return render_template(
        "trends/signals/signals.html",
        open_ones=[one for one in cards if one.signal.is_open],
        closed=[one for one in cards if not one.signal.is_open],
        epoch=found.epoch,
        worked_out_at=None if until is None else until[1],
        decided=decided,
        budget=budget if budget.values else _budget_form(),
        plant=plant,
    )


def _budget_form() -> Form:
    return Form({"false_signals_a_week": f"{budget_now(current_session()):g}"})


def _links(one: SignalView) -> dict[str, str]:
    """Where a signal leads: its chart, its entries, and a new case of it."""
    zone = the_plant_now().zone
    about = [("defect", one.defect)] if one.defect else []
    start, end = day_of(one.since - _BEFORE, zone), day_of(one.ended_at or now(), zone)
    period = [("machine", one.machine.text), ("from", start.isoformat()), ("to", end.isoformat())]
    place = [("place", one.machine.text), ("since_at", for_field(one.since, zone))]
    return {
        "chart": "/trends/chart?" + urlencode([*about, *period]),
        "entries": "/log/entries?"
        + urlencode([*about, period[0], ("from", day_of(one.since, zone).isoformat()), period[2]]),
        "case": "/cases/new?" + urlencode([*about, *place, *_signal(one)]),
    }


def _signal(one: SignalView) -> list[tuple[str, str]]:
    """What names a signal, so that the case that is opened from it has it."""
    return [("signal_kind", one.kind.value), ("signal_raised_at", one.raised_at.isoformat())]


@signal_pages.post("/trends/signals")
@permit("work on case")
def decide_signal() -> AnyResponse | tuple[str, int]:
    """Acknowledge or dismiss a signal."""
    form = posted(DECISION_FIELDS)
    session = current_session()
    try:
        fact = DecisionFact.read(form.values, the_plant_now().zone)
        if fact.decision is Decision.ATTACHED:
            raise TracelogError(_("a signal is attached on the page of its case"), "decision")
        machine = directory(session).machine_named(fact.machine)
        decide(session, fact, machine.id, current_actor(), now())
    except TracelogError as problem:
        return _page(form.with_problem(problem), Form({})), problem.status
    flash(_("Kept."))
    return redirect("/trends/signals", 303)


@signal_pages.post("/trends/signals/budget")
@permit("set baseline")
def keep_budget() -> AnyResponse | tuple[str, int]:
    """Set how many false signals a week the plant accepts."""
    form = posted(BUDGET_FIELDS)
    try:
        fact = BudgetFact.read(form.values, the_plant_now().zone)
        set_budget(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        return _page(Form({}), form.with_problem(problem)), problem.status
    flash(_("Kept: thresholds follow it from the next four weeks on."))
    return redirect("/trends/signals", 303)


@signal_pages.get("/trends/signals.<kind>")
@permit("see")
def signals_file(kind: str) -> Response:
    """The signals of the page as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise NotFound(_("there is no such file; there are signals.csv and signals.xlsx"))
    sheet = signals_sheet(_kept(), the_plant_now().zone)
    return sheet_file(sheet, "signals", kind)
