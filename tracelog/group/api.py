"""The API's calls for a group of plants."""

from flask import Blueprint, Response

from tracelog.group.answers import overview_answer, rates_answer, signals_answer
from tracelog.group.asking import ask, plants_asked
from tracelog.group.queries import plant_now, plant_rate, signals_now
from tracelog.group.questions import MOST_DEFECTS, read_period
from tracelog.trends.signals.shapes import SIGNAL
from tracelog.web.parameters import Parameters
from tracelog.web.request import house, now, permit
from tracelog.web.shapes import (
    COUNT,
    INSTANT,
    NUMBER,
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

group_api = Blueprint("group_api", __name__, url_prefix="/api/v1/group")
_PLANT = Asked("plant", TEXT, "only this plant, by its name in the group; none: all")
_DATA = fields(
    {
        "link": words("connected", "cut", "direct"),
        "heard_at": maybe(INSTANT),
        "last_fact_at": maybe(INSTANT),
    }
)
_LINE = fields(
    {
        "line": COUNT,
        "name": TEXT,
        **dict.fromkeys(
            ("bodymakers", "need_somebody", "signals_on", "strokes_24_hours", "entries_24_hours"),
            COUNT,
        ),
    }
)
_STANDING = fields(
    {
        "name": TEXT,
        "data": _DATA,
        **dict.fromkeys(
            ("services_overdue", "services_due_in_7_days", "holds_open", "signals_on"), COUNT
        ),
        "lines": many(_LINE),
    }
)
_RATE = fields(
    {
        "occurrences": COUNT,
        "strokes": COUNT,
        "per_million": maybe(NUMBER),
        "low": maybe(NUMBER),
        "high": maybe(NUMBER),
    }
)
_WHO = {"plant": TEXT, "why": maybe(TEXT)}


@group_api.get("")
@permit("see group")
@described(
    Call(
        "How the plants of the group stand: lines, services, holds, signals, and how old their"
        " data are; a plant that does not answer says why.",
        answers_with(
            fields(
                {
                    "as_of": INSTANT,
                    "plants": many(fields({**_WHO, "standing": maybe(_STANDING)})),
                }
            )
        ),
        asked=(_PLANT,),
        problems=(404,),
    )
)
def get_group() -> Response:
    """All plants, or one."""
    asked = Parameters(("plant",))
    name = asked.text("plant")
    asked.finish()
    told = ask(plants_asked(house().settings, name), plant_now(now()))
    return answer_json(overview_answer(told, now()))


@group_api.get("/rates")
@permit("see group")
@described(
    Call(
        "Rates of defects by plant, per million strokes with exact 95 % intervals, and of all"
        " plants that answer together.",
        answers_with(
            fields(
                {
                    "defects": many(TEXT),
                    "from": INSTANT,
                    "to": INSTANT,
                    "plants": many(fields({**_WHO, "rate": maybe(_RATE)})),
                    "together": _RATE,
                }
            )
        ),
        asked=(
            _PLANT,
            Asked("defect", TEXT, "a kind of defect; again for more, none for all"),
            Asked("from", TEXT, "an instant with its offset, or a day of UTC; usually 4 weeks ago"),
            Asked("to", TEXT, "an instant with its offset, or a day of UTC; usually now"),
        ),
        problems=(404,),
    )
)
def get_group_rates() -> Response:
    """Rates by plant."""
    asked = Parameters(("plant", "from", "to"), ("defect",))
    name, defects = asked.text("plant"), asked.texts("defect")[:MOST_DEFECTS]
    period = read_period(asked.text("from"), asked.text("to"), now(), asked.tell)
    asked.finish()
    plants = plants_asked(house().settings, name)
    told = ask(plants, plant_rate(defects, period.start, period.end, now()))
    return answer_json(rates_answer(told, defects, period.start, period.end))


@group_api.get("/signals")
@permit("see group")
@described(
    Call(
        "Signals that are on in all plants of the group.",
        answers_with(
            fields(
                {
                    "as_of": INSTANT,
                    "plants": many(fields({**_WHO, "signals": many(SIGNAL)})),
                }
            )
        ),
        asked=(_PLANT,),
        problems=(404,),
    )
)
def get_group_signals() -> Response:
    """Signals that are on, by plant."""
    asked = Parameters(("plant",))
    name = asked.text("plant")
    asked.finish()
    told = ask(plants_asked(house().settings, name), signals_now)
    return answer_json(signals_answer(told, now()))
