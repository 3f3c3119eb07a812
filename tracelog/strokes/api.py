"""The API's calls for counters."""

from flask import Blueprint, Response

from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.facts import CounterEventFact, ReadingFact
from tracelog.web.collections import take
from tracelog.web.request import permit
from tracelog.web.shapes import collection, described

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
