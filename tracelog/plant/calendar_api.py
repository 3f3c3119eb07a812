"""The API's calls for planned periods."""

from datetime import datetime, timedelta

from flask import Blueprint, Response

from tracelog.facts import whole_number
from tracelog.language import _
from tracelog.plant.calendar import PeriodKind, planned_periods
from tracelog.plant.calendar_actions import record_planned_periods, withdraw_planned_period
from tracelog.plant.calendar_answers import periods_answer
from tracelog.plant.calendar_facts import PlannedPeriodFact, WithdrawalFact
from tracelog.plant.calendar_shapes import KINDS, PERIODS
from tracelog.plant.queries import directory
from tracelog.web.collections import answer_one, id_in_address, take, take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ASKED_MOMENT,
    ID,
    RESULT,
    Asked,
    Call,
    answers_with,
    collection,
    described,
)
from tracelog.web.strict_json import answer_json

calendar_api = Blueprint("calendar_api", __name__, url_prefix="/api/v1")
USUAL_AHEAD = timedelta(days=365)
LONGEST = timedelta(days=3660)
_LINE = {"type": "integer", "minimum": 1, "maximum": 999}


@calendar_api.get("/planned-periods")
@permit("see")
@described(
    Call(
        "What is planned: times in which a line or machine stands, or no service is wanted.",
        answers_with(PERIODS),
        asked=(
            Asked("from", ASKED_MOMENT, "without it now"),
            Asked("to", ASKED_MOMENT, "at most ten years after `from`; without it a year after"),
            Asked("kind", KINDS, "only this kind"),
            Asked("line", _LINE, "only of this line, its machines and the whole plant"),
            Asked("as_of", ASKED_INSTANT, "the answer as it would have been then"),
        ),
    )
)
def get_planned_periods() -> Response:
    """The calendar of a time."""
    asked = Parameters(("from", "to", "kind", "line", "as_of"))
    zone = the_plant_now().zone
    known = directory(current_session())
    start, end = _period(asked)
    kind = asked.word("kind", PeriodKind)
    line_id = asked.read("line", lambda given: known.line(whole_number(given, 1, 999)))
    as_of = asked.instant("as_of", zone)
    asked.finish()
    found = planned_periods(current_session(), start, end, as_of=as_of, kind=kind)
    if line_id is not None:
        found = [one for one in found if one.line_id in (None, line_id)]
    return answer_json(periods_answer(found, known, start, end, as_of))


def _period(asked: Parameters) -> tuple[datetime, datetime]:
    start, end = asked.period(the_plant_now().zone)
    start = start or (now() if end is None else min(now(), end - USUAL_AHEAD))
    end = end or start + USUAL_AHEAD
    if end - start > LONGEST:
        asked.tell("to", _("is more than ten years after from; ask in parts"))
    return start, end


@calendar_api.post("/planned-periods")
@permit("plan services")
@described(
    collection(
        PlannedPeriodFact,
        "Record what is planned, or put right what is said of a known period (by its id).",
    )
)
def post_planned_periods() -> Response:
    """Record one planned period or many."""
    return take(PlannedPeriodFact, record_planned_periods)


@calendar_api.post("/planned-periods/<period_id>/withdraw")
@permit("plan services")
@described(
    Call(
        "Take a planned period back; it stays on record as what was known until then.",
        {200: RESULT},
        asked=(Asked("period_id", ID, "which one", place="path"),),
        body=WithdrawalFact,
        in_address=("id",),
        problems=(404, 413, 415),
    )
)
def post_withdrawal(period_id: str) -> Response:
    """Withdraw a planned period."""
    missing = _("there is no planned period with the id %(id)s", id=period_id[:40])
    fact = take_one(WithdrawalFact, {"id": id_in_address(period_id, missing)})
    outcome = withdraw_planned_period(
        current_session(), fact.id, current_actor(), now(), fact.withdrawn_at
    )
    return answer_one(fact.id, outcome)
