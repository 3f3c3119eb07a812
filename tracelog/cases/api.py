"""The API's calls for cases."""

import uuid

from flask import Blueprint, Response

from tracelog.cases.actions import attach_signal, open_case
from tracelog.cases.facts import CaseFact, SignalFact, StepFact
from tracelog.cases.links.actions import link, unlink
from tracelog.cases.links.facts import LinkFact, UnlinkFact
from tracelog.cases.listing.queries import Asked as State
from tracelog.cases.listing.queries import Order, list_cases
from tracelog.cases.listing.reading import FILTERS, read_filter
from tracelog.cases.opening.comparing import beside
from tracelog.cases.opening.queries import explain_for_case, kept_explanation
from tracelog.cases.queries import case
from tracelog.cases.shapes import BESIDE, CASES, WHOLE
from tracelog.cases.step_actions import add_step
from tracelog.cases.whole.answers import beside_answer, cases_answer, whole_answer
from tracelog.cases.whole.queries import whole_case
from tracelog.errors import Fault, TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.collections import id_in_address, keep_one
from tracelog.web.parameters import Parameters, WrongParameters
from tracelog.web.request import current_session, now, permit, the_plant_now
from tracelog.web.shapes import (
    COUNT,
    ID,
    KEEP_GOOD,
    KEPT_ONE,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    words,
)
from tracelog.web.strict_json import answer_json

cases_api = Blueprint("cases_api", __name__, url_prefix="/api/v1")
_WHICH = Asked("case_id", ID, "the case's id", place="path")
MOST = 500


@cases_api.get("/cases")
@permit("see")
@described(
    Call(
        "Cases with their steps, the newest first, page by page.",
        answers_with(CASES),
        asked=(
            Asked("open", KEEP_GOOD.shape, "1: only those that have not ended; 0: the others"),
            Asked("state", words(*State), "where they stand; usually all"),
            Asked("line", COUNT, "of this line and its machines"),
            Asked("machine", TEXT, "of this machine, such as 1-2"),
            Asked("defect", TEXT, "code of the kind of defect"),
            Asked("words", TEXT, "words that must stand in the title or in a step"),
            Asked("order", words(*Order), "newest or oldest first"),
            Asked("limit", COUNT, "at most so many, from 1 to 500; usually 100"),
            Asked("cursor", TEXT, "next_cursor of the page before"),
        ),
    )
)
def get_cases() -> Response:
    """A page of the list."""
    asked = Parameters((*FILTERS, "open", "limit", "cursor"))
    session = current_session()
    wanted = read_filter(asked, directory(session), State.ALL)
    limit, cursor = asked.number("limit", 1, MOST) or 100, asked.text("cursor")
    asked.finish()
    try:
        page = list_cases(session, wanted, limit, cursor)
    except TracelogError as problem:
        raise WrongParameters((Fault("cursor", problem.sentence),)) from None
    return answer_json(cases_answer(page.cases, page.next_after, now()))


@cases_api.post("/cases")
@permit("work on case")
@described(
    Call(
        "Open a case: a defect on a machine or a line that is looked into.",
        KEPT_ONE,
        body=CaseFact,
        problems=(413, 415),
    )
)
def post_case() -> Response:
    """Open one case."""
    return keep_one(CaseFact, open_case)


@cases_api.get("/cases/<case_id>")
@permit("see")
@described(
    Call(
        "A case: the numbers, causes, links, cost, what happened since, and cases like it.",
        answers_with(WHOLE),
        asked=(_WHICH,),
        problems=(404,),
    )
)
def get_case(case_id: str) -> Response:
    """One case with all that is known of it."""
    Parameters(()).finish()
    return answer_json(whole_answer(whole_case(current_session(), _id_in_path(case_id), now())))


@cases_api.get("/cases/<case_id>/explanation")
@permit("see")
@described(
    Call(
        "What explained a case at its opening, and what explains it now.",
        answers_with(BESIDE),
        asked=(_WHICH,),
        problems=(404,),
    )
)
def get_explanation(case_id: str) -> Response:
    """The explanation as it was kept, the one of now, and what changed."""
    Parameters(()).finish()
    session, zone = current_session(), the_plant_now().zone
    about = case(session, _id_in_path(case_id), now()).case
    kept = kept_explanation(session, about.id)
    live = explain_for_case(session, about.defect, about.since_at, now())
    rows = beside(kept.answer, live.answer, zone) if kept is not None else []
    return answer_json(beside_answer(kept, live, rows))


@cases_api.post("/cases/<case_id>/steps")
@permit("work on case")
@described(
    Call(
        "Write what was checked, found, changed or noted, a confirmed cause, or the end of a case.",
        KEPT_ONE,
        asked=(_WHICH,),
        body=StepFact,
        in_address=("case",),
        problems=(404, 413, 415),
    )
)
def post_step(case_id: str) -> Response:
    """Write one step."""
    return keep_one(StepFact, add_step, {"case": _id_in_path(case_id)})


@cases_api.post("/cases/<case_id>/links")
@permit("work on case")
@described(
    Call(
        "Link a machine, tool, coil, pallet, hold, defect, entry, complaint or photo to a case.",
        KEPT_ONE,
        asked=(_WHICH,),
        body=LinkFact,
        in_address=("case",),
        problems=(404, 409, 413, 415),
    )
)
def post_link(case_id: str) -> Response:
    """Link one thing."""
    return keep_one(LinkFact, link, {"case": _id_in_path(case_id)})


@cases_api.post("/cases/<case_id>/unlinks")
@permit("work on case")
@described(
    Call(
        "Take a link back: what was linked does not belong to the case after all.",
        KEPT_ONE,
        asked=(_WHICH,),
        body=UnlinkFact,
        in_address=("case",),
        problems=(404, 409, 413, 415),
    )
)
def post_unlink(case_id: str) -> Response:
    """Take one link back."""
    return keep_one(UnlinkFact, unlink, {"case": _id_in_path(case_id)})


@cases_api.post("/cases/<case_id>/signals")
@permit("work on case")
@described(
    Call(
        "Attach a signal to a case.",
        KEPT_ONE,
        asked=(_WHICH,),
        body=SignalFact,
        in_address=("case",),
        problems=(404, 409, 413, 415),
    )
)
def post_signal(case_id: str) -> Response:
    """Attach one signal."""
    return keep_one(SignalFact, attach_signal, {"case": _id_in_path(case_id)})


def _id_in_path(text: str) -> uuid.UUID:
    return id_in_address(text, _("there is no case with the id '%(id)s'", id=text[:40]))
