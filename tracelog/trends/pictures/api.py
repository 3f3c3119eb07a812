"""The API's calls for the funnel and for year against year."""

from flask import Blueprint, Response, request

from tracelog.plant.queries import directory
from tracelog.trends.pictures.answers import funnel_answer, years_answer
from tracelog.trends.pictures.funnel import funnel_of
from tracelog.trends.pictures.questions import read_funnel, read_years
from tracelog.trends.pictures.shapes import FUNNEL_CALL, YEARS_CALL
from tracelog.trends.pictures.years import years_of
from tracelog.trends.queries import known_words
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import described
from tracelog.web.strict_json import answer_json

pictures_api = Blueprint("pictures_api", __name__, url_prefix="/api/v1")


@pictures_api.get("/funnel")
@permit("see")
@described(FUNNEL_CALL)
def get_funnel() -> Response:
    """Rates against strokes, each with the limits that the plant's own spread gives it."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_words(session, plant, places, now())
    asked = read_funnel(request.args.to_dict(flat=False), known)
    return answer_json(funnel_answer(funnel_of(session, asked, plant, places)))


@pictures_api.get("/years")
@permit("see")
@described(YEARS_CALL)
def get_years() -> Response:
    """Both years period by period, with exact ratios and the probability that the rate rose."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_words(session, plant, places, now())
    asked = read_years(request.args.to_dict(flat=False), known)
    return answer_json(years_answer(years_of(session, asked, plant, places)))
