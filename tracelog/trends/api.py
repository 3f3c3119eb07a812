"""The API's calls for rates and charts."""

from typing import Any

from flask import Blueprint, Response, json, request

from tracelog.facts import write_value
from tracelog.plant.queries import directory
from tracelog.trends.answers import chart_answer, rates_answer
from tracelog.trends.charts import chart
from tracelog.trends.queries import known_words
from tracelog.trends.questions import read_chart_question, read_rate_question
from tracelog.trends.rates import rates
from tracelog.web.request import current_session, now, permit, the_plant_now

trends_api = Blueprint("trends_api", __name__, url_prefix="/api/v1")


@trends_api.get("/rates")
@permit("see")
def get_rates() -> Response:
    """Rates with their exact intervals: the parameters and the answer of `tracelog rates`."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_words(session, plant, places, now())
    question = read_rate_question(request.args.to_dict(flat=False), known)
    return _json(rates_answer(rates(session, question, plant, places)))


@trends_api.get("/charts")
@permit("see")
def get_chart() -> Response:
    """A control chart: points, centre, limits and the points outside."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_words(session, plant, places, now())
    question = read_chart_question(request.args.to_dict(flat=False), known)
    return _json(chart_answer(chart(session, question, plant, places)))


def _json(answer: dict[str, Any]) -> Response:
    return Response(json.dumps(answer, default=write_value), content_type="application/json")
