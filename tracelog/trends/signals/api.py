"""The API's calls for signals: the list, decisions about them, and the budget of false ones."""

from flask import Blueprint, Response

from tracelog.db import new_id
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.trends.signals.actions import decide, set_budget
from tracelog.trends.signals.answers import lately, signals_answer
from tracelog.trends.signals.facts import BudgetFact, DecisionFact
from tracelog.trends.signals.queries import Signals, kept_epoch, kept_signals, signals_then
from tracelog.trends.signals.rules import Decision
from tracelog.trends.signals.shapes import SIGNALS
from tracelog.web.collections import answer_one, take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    KEPT_ONE,
    Asked,
    Call,
    answers_with,
    described,
)
from tracelog.web.strict_json import answer_json

signals_api = Blueprint("signals_api", __name__, url_prefix="/api/v1")


@signals_api.get("/signals")
@permit("see")
@described(
    Call(
        "Rates that left their baseline: those that are on, and those that ended lately.",
        answers_with(SIGNALS),
        asked=(
            Asked("since", ASKED_INSTANT, "also those that ended since then; usually four weeks"),
            Asked("as_of", ASKED_INSTANT, "as they would have been given then"),
        ),
    )
)
def get_signals() -> Response:
    """Signals, the latest raised first."""
    plant, session = the_plant_now(), current_session()
    asked = Parameters(("since", "as_of"))
    since, as_of = asked.instant("since", plant.zone), asked.instant("as_of", plant.zone)
    asked.finish()
    places = directory(session)
    if as_of is None:
        found = Signals(tuple(kept_signals(session, places)), kept_epoch(session), now())
    else:
        found = signals_then(session, plant, places, as_of)
    return answer_json(signals_answer(lately(found, since)))


@signals_api.post("/signals/decisions")
@permit("work on case")
@described(
    Call(
        "Acknowledge or dismiss a signal, named by its machine, defect, kind and instant.",
        KEPT_ONE,
        body=DecisionFact,
        problems=(404, 409, 413, 415),
    )
)
def post_decision() -> Response:
    """Decide about a signal."""
    fact = take_one(DecisionFact, {})
    if fact.decision is Decision.ATTACHED:
        sentence = _("a signal is attached at its case: POST /api/v1/cases/{id}/signals")
        raise TracelogError(sentence, "decision")
    fact = fact if fact.id is not None else fact.model_copy(update={"id": new_id()})
    machine = directory(current_session()).machine_named(fact.machine)
    outcome = decide(current_session(), fact, machine.id, current_actor(), now())
    assert fact.id is not None  # noqa: S101
    return answer_one(fact.id, outcome)


@signals_api.post("/signals/budget")
@permit("set baseline")
@described(
    Call(
        "Set how many false signals a week the whole plant accepts.",
        KEPT_ONE,
        body=BudgetFact,
        problems=(413, 415),
    )
)
def post_budget() -> Response:
    """Set the budget."""
    fact = take_one(BudgetFact, {})
    fact = fact if fact.id is not None else fact.model_copy(update={"id": new_id()})
    outcome = set_budget(current_session(), fact, current_actor(), now())
    assert fact.id is not None  # noqa: S101
    return answer_one(fact.id, outcome)
