"""The API's calls for rates, charts and measurements."""

from flask import Blueprint, Response, request

from tracelog.plant.queries import directory
from tracelog.trends.actions import record_measurements
from tracelog.trends.answers import chart_answer, rates_answer
from tracelog.trends.facts import MeasurementFact
from tracelog.trends.queries import known_words
from tracelog.trends.questions import read_chart_question, read_rate_question
from tracelog.trends.rates import rates
from tracelog.trends.series.events import chart_with_events
from tracelog.trends.shapes import CHART_CALL, RATES_CALL
from tracelog.web.collections import take
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import collection, described
from tracelog.web.strict_json import answer_json

trends_api = Blueprint("trends_api", __name__, url_prefix="/api/v1")


@trends_api.get("/rates")
@permit("see")
@described(RATES_CALL)
def get_rates() -> Response:
    """Rates with their exact intervals: the parameters and the answer of `tracelog rates`."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_words(session, plant, places, now())
    question = read_rate_question(request.args.to_dict(flat=False), known)
    return answer_json(rates_answer(rates(session, question, plant, places)))


@trends_api.get("/charts")
@permit("see")
@described(CHART_CALL)
def get_chart() -> Response:
    """A control chart: points, centre, limits, run rules, and what happened meanwhile."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_words(session, plant, places, now())
    question = read_chart_question(request.args.to_dict(flat=False), known)
    return answer_json(chart_answer(chart_with_events(session, question, plant, places)))


@trends_api.post("/measurements")
@permit("record measurement")
@described(collection(MeasurementFact, "Record figures that were read off cans."))
def post_measurements() -> Response:
    """Record one measured value or many."""
    return take(MeasurementFact, record_measurements)
