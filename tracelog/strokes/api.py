"""The API's calls for counters."""

from flask import Blueprint, Response

from tracelog.plant.queries import directory
from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.answers import questions_answer
from tracelog.strokes.facts import CounterDecisionFact, CounterEventFact, ReadingFact
from tracelog.strokes.settlement_actions import settle_counters
from tracelog.strokes.shapes import QUESTIONS
from tracelog.web.collections import take
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    TEXT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
    words,
)
from tracelog.web.strict_json import answer_json

strokes_api = Blueprint("strokes_api", __name__, url_prefix="/api/v1")


@strokes_api.post("/readings")
@permit("send readings")
@described(collection(ReadingFact, "Send what the machines' counters showed, in any order."))
def post_readings() -> Response:
    """Keep one reading or many."""
    return take(ReadingFact, record_readings)


@strokes_api.post("/counter-events")
@permit("settle counter")
@described(collection(CounterEventFact, "Say that a counter was reset, preset or replaced."))
def post_counter_events() -> Response:
    """Keep one counter event or many."""
    return take(CounterEventFact, record_counter_events)


@strokes_api.post("/counter-settlements")
@permit("settle counter")
@described(
    collection(
        CounterDecisionFact,
        "Decide on jumps of counters that nobody has explained: so many strokes were made, the"
        " reading is wrong, or what was decided is taken back.",
    )
)
def post_counter_settlements() -> Response:
    """Keep one decision or many."""
    return take(CounterDecisionFact, settle_counters)


@strokes_api.get("/counter-questions")
@permit("see")
@described(
    Call(
        "What is open about counters: jumps that nobody has explained, and counters that say"
        " nothing.",
        answers_with(QUESTIONS),
        asked=(
            Asked("machine", TEXT, "only of this machine, such as 3-7"),
            Asked(
                "settled",
                words("1", "0", "yes", "no", "true", "false"),
                "tell the settlements that stand too, the latest first",
            ),
            Asked("as_of", ASKED_INSTANT, "the answer as it would have been then"),
        ),
    )
)
def get_counter_questions() -> Response:
    """What is open, and what was settled if it is asked for."""
    asked = Parameters(("machine", "settled", "as_of"))
    session = current_session()
    zone = the_plant_now().zone
    machine = asked.read("machine", lambda text: directory(session).machine_named(text))
    settled = asked.yes_no("settled") or False
    as_of = asked.instant("as_of", zone) or now()
    asked.finish()
    return answer_json(questions_answer(session, as_of, machine and machine.id, settled=settled))
