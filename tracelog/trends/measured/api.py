"""The API's calls for charts of measured values and for gauge studies."""

from flask import Blueprint, Response, request

from tracelog.plant.queries import directory
from tracelog.trends.measured.actions import record_gauge_readings
from tracelog.trends.measured.answers import measure_answer
from tracelog.trends.measured.charts import measured_chart
from tracelog.trends.measured.facts import GaugeReadingFact
from tracelog.trends.measured.gauge_answers import studies_answer, study_json
from tracelog.trends.measured.gauge_studies import read_study_question, study_answer
from tracelog.trends.measured.queries import gauge_studies
from tracelog.trends.measured.questions import known_measures, read_measure_question
from tracelog.trends.measured.shapes import (
    GAUGE_STUDIES_CALL,
    GAUGE_STUDY_CALL,
    MEASURED_CHART_CALL,
)
from tracelog.web.collections import take
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import collection, described
from tracelog.web.strict_json import answer_json

measured_api = Blueprint("measured_api", __name__, url_prefix="/api/v1")


@measured_api.get("/measurement-charts")
@permit("see")
@described(MEASURED_CHART_CALL)
def get_measurement_chart() -> Response:
    """A chart of measured values: the parameters and the answer of `tracelog measurements`."""
    session, plant = current_session(), the_plant_now()
    places = directory(session)
    known = known_measures(session, plant, places, now())
    question = read_measure_question(request.args.to_dict(flat=False), known)
    return answer_json(measure_answer(measured_chart(session, question, places)))


@measured_api.post("/gauge-readings")
@permit("record measurement")
@described(collection(GaugeReadingFact, "Record readings of gauge studies."))
def post_gauge_readings() -> Response:
    """Record one reading of a gauge study or many."""
    return take(GaugeReadingFact, record_gauge_readings)


@measured_api.get("/gauge-studies")
@permit("see")
@described(GAUGE_STUDIES_CALL)
def get_gauge_studies() -> Response:
    """All gauge studies."""
    asked = Parameters(("as_of",))
    as_of = asked.instant("as_of", the_plant_now().zone)
    asked.finish()
    return answer_json(studies_answer(gauge_studies(current_session(), as_of)))


@measured_api.get("/gauge-studies/<path:name>")
@permit("see")
@described(GAUGE_STUDY_CALL)
def get_gauge_study(name: str) -> Response:
    """One gauge study."""
    session, plant = current_session(), the_plant_now()
    values = request.args.to_dict(flat=False)
    question = read_study_question(name, values, plant.zone, directory(session), now())
    return answer_json(study_json(study_answer(session, question)))
