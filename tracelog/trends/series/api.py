"""The API's calls for frozen baselines."""

from flask import Blueprint, Response

from tracelog.plant.queries import directory
from tracelog.trends.series.actions import freeze_baseline
from tracelog.trends.series.answers import baseline_answer
from tracelog.trends.series.facts import BaselineWish
from tracelog.trends.series.queries import latest_words
from tracelog.trends.series.rules import SeriesEvidence
from tracelog.trends.shapes import FROZEN
from tracelog.web.collections import answer_one, take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    COUNT,
    KEPT_ONE,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    many,
    maybe,
    words,
)
from tracelog.web.strict_json import answer_json

series_api = Blueprint("series_api", __name__, url_prefix="/api/v1")

_BASELINES = fields(
    {
        "baselines": many(
            fields(
                {
                    "line": maybe(COUNT),
                    "bodymaker": maybe(COUNT),
                    "evidence": words(*SeriesEvidence),
                    "of": TEXT,
                    **FROZEN,
                }
            )
        )
    }
)


@series_api.get("/baselines")
@permit("see")
@described(
    Call(
        "The latest baseline that somebody froze, of every series that has one.",
        answers_with(_BASELINES),
        asked=(Asked("as_of", ASKED_INSTANT, "only what was frozen by then"),),
    )
)
def get_baselines() -> Response:
    """The latest word of every series; without a period it went back to the usual baseline."""
    asked = Parameters(("as_of",))
    as_of = asked.instant("as_of", the_plant_now().zone)
    asked.finish()
    session = current_session()
    places = directory(session)
    told = [baseline_answer(one, places) for one in latest_words(session, as_of)]
    return answer_json({"baselines": told})


@series_api.post("/baselines")
@permit("set baseline")
@described(
    Call(
        "Freeze the period that a series is judged by; without one it goes back to the usual.",
        KEPT_ONE,
        body=BaselineWish,
        problems=(413, 415),
    )
)
def post_baseline() -> Response:
    """Freeze one baseline; `instead_of` is the id of the one that stood when it was decided."""
    wish = take_one(BaselineWish, {})
    outcome, key = freeze_baseline(current_session(), wish, current_actor(), now())
    return answer_one(key, outcome)
