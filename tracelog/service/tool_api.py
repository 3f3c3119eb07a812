"""The API's calls that tell how tools stand."""

from flask import Blueprint, Response

from tracelog.plant.queries import directory
from tracelog.service.tool_answers import tool_card_answer, tools_answer
from tracelog.service.tool_histories import ToolState
from tracelog.service.tool_list import listed_tools, the_tool
from tracelog.service.tool_shapes import TOOL_CARD, TOOLS
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import ASKED_INSTANT, TEXT, Asked, Call, answers_with, described, words
from tracelog.web.strict_json import answer_json

tool_api = Blueprint("tool_api", __name__, url_prefix="/api/v1")
_AS_OF = Asked("as_of", ASKED_INSTANT, "the answer as it would have been then")


@tool_api.get("/tools")
@permit("see")
@described(
    Call(
        "Tools with their strokes since work and in all, the furthest into their life first.",
        answers_with(TOOLS),
        asked=(
            _AS_OF,
            Asked("search", TEXT, "only those whose serial or type holds this text"),
            Asked(
                "state", words(*(state.value for state in ToolState)), "only tools that are there"
            ),
        ),
    )
)
def get_tools() -> Response:
    """All tools, or those asked for."""
    asked = Parameters(("as_of", "search", "state"))
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    search, state = asked.text("search") or "", asked.word("state", ToolState)
    asked.finish()
    session = current_session()
    histories = listed_tools(session, as_of, search, state)
    return answer_json(tools_answer(histories, directory(session), as_of))


@tool_api.get("/tools/<path:serial>")
@permit("see")
@described(
    Call(
        "One tool: its lives from work to work, where it was fitted, and what was done to it.",
        answers_with(TOOL_CARD),
        asked=(Asked("serial", TEXT, "its serial", place="path"), _AS_OF),
        problems=(404,),
    )
)
def get_tool(serial: str) -> Response:
    """One tool's card."""
    asked = Parameters(("as_of",))
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    asked.finish()
    session = current_session()
    card = tool_card_answer(the_tool(session, serial, as_of), directory(session), as_of)
    return answer_json(card)
