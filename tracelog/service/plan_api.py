"""The API's calls for the plan of services, for promised days, and for how services are planned."""

from flask import Blueprint, Response

from tracelog.facts import Fact
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.plant.queries import directory
from tracelog.service.pin_actions import pin_service, unpin_service
from tracelog.service.pin_facts import PinRequest
from tracelog.service.pins import open_pins, planning
from tracelog.service.plan_answers import pins_answer, plan_answer
from tracelog.service.plan_reading import read_inputs
from tracelog.service.plan_shapes import PINS, PLAN, PLANNING
from tracelog.service.plan_wishes import check_wish, standing_pin
from tracelog.service.planning_actions import record_planning_settings
from tracelog.service.planning_facts import (
    LONGEST_HORIZON_DAYS,
    MOST_CREWS,
    PlanningSettingFact,
    settings_of,
)
from tracelog.service.plans import asked_planning, plan_services, settled_instant
from tracelog.web.collections import answer_one, id_in_address, take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ID,
    KEPT_ONE,
    RESULT,
    Asked,
    Call,
    answers_with,
    described,
)
from tracelog.web.strict_json import answer_json

plan_api = Blueprint("plan_api", __name__, url_prefix="/api/v1")
_CREWS = {"type": "integer", "minimum": 1, "maximum": MOST_CREWS}
_HORIZON = {"type": "integer", "minimum": 1, "maximum": LONGEST_HORIZON_DAYS}


class NothingFact(Fact):
    """A call that says all in its address."""


@plan_api.get("/service-plan")
@permit("see")
@described(
    Call(
        "Which machine is served on which day: the plan that costs least, what is proven of it,"
        " and why a service that falls due has no day.",
        answers_with(PLAN),
        asked=(
            Asked(
                "as_of",
                ASKED_INSTANT,
                "the answer as it would have been then; without it, as of the beginning of this"
                " hour, or of what was recorded of services, promises and periods since",
            ),
            Asked("crews", _CREWS, "how many crews; without it as the plant has set"),
            Asked("horizon", _HORIZON, "how many days; without it as the plant has set"),
        ),
    )
)
def get_service_plan() -> Response:
    """The plan."""
    asked = Parameters(("as_of", "crews", "horizon"))
    as_of = asked.instant("as_of", the_plant_now().zone)
    crews = asked.number("crews", 1, MOST_CREWS)
    horizon = asked.number("horizon", 1, LONGEST_HORIZON_DAYS)
    asked.finish()
    session = current_session()
    moment = as_of or settled_instant(session, now())
    found = plan_services(session, moment, asked_planning(session, crews, horizon))
    return answer_json(plan_answer(found))


@plan_api.get("/service-pins")
@permit("see")
@described(
    Call(
        "Services that are promised on days and not done yet.",
        answers_with(PINS),
        asked=(Asked("as_of", ASKED_INSTANT, "the answer as it would have been then"),),
    )
)
def get_service_pins() -> Response:
    """Open promises."""
    asked = Parameters(("as_of",))
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    return answer_json(pins_answer(open_pins(current_session(), as_of)))


@plan_api.post("/service-pins")
@permit("plan services")
@described(
    Call(
        "Promise a service of a machine on a day; an open promise of the same service is moved."
        " Refused where crews, line or calendar do not allow it.",
        KEPT_ONE,
        body=PinRequest,
        problems=(413, 415),
    )
)
def post_service_pin() -> Response:
    """Promise one service."""
    session, wish = current_session(), take_one(PinRequest, {})
    known = directory(session)
    machine = known.bodymaker(wish.line, wish.bodymaker)
    wished = [(machine.id, wish.service)]
    inputs = read_inputs(session, now(), planning(session), wished)
    check_wish(inputs, known, wish)
    there = standing_pin(inputs, machine.id, wish.service)
    seen = there.id if there else None
    outcome = pin_service(session, wish, current_actor(), now(), seen=seen)
    (kept,) = [pin for pin in open_pins(session, now(), machine.id) if pin.service == wish.service]
    return answer_one(kept.id, outcome)


@plan_api.post("/service-pins/<pin_id>/unpin")
@permit("plan services")
@described(
    Call(
        "Take a promised day back; it stays on record as what was promised until then.",
        {200: RESULT},
        asked=(Asked("pin_id", ID, "which one", place="path"),),
        body=NothingFact,
        problems=(404, 413, 415),
    )
)
def post_unpin(pin_id: str) -> Response:
    """Take one promise back."""
    take_one(NothingFact, {})
    missing = _("there is no promised service with the id %(id)s", id=pin_id[:40])
    key = id_in_address(pin_id, missing)
    return answer_one(key, unpin_service(current_session(), key, current_actor(), now()))


@plan_api.get("/planning")
@permit("see")
@described(Call("How services are planned: crews, days and weights.", answers_with(PLANNING)))
def get_planning() -> Response:
    """All settings of planning, the defaults among them."""
    Parameters(()).finish()
    the_plant_now()
    said = settings_of(planning(current_session()))
    return answer_json({"settings": [{"setting": name, "value": value} for name, value in said]})


@plan_api.post("/planning")
@permit("plan services")
@described(
    Call(
        "Set one thing about how services are planned; what was set before is replaced.",
        KEPT_ONE,
        body=PlanningSettingFact,
        problems=(413, 415),
    )
)
def post_planning() -> Response:
    """Keep one setting."""
    fact = take_one(PlanningSettingFact, {})
    (outcome,) = record_planning_settings(current_session(), [fact], current_actor(), now())
    status = 201 if outcome.became is Became.CREATED else 200
    key = {"setting": fact.setting.value}
    return answer_json({"status": outcome.became.value, "key": key}, status)
