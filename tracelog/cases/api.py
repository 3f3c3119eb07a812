"""The API's calls for cases."""

import uuid

from flask import Blueprint, Response

from tracelog.cases.actions import attach_signal, open_case
from tracelog.cases.answers import case_answer, standing_answer
from tracelog.cases.facts import CaseFact, SignalFact, StepFact
from tracelog.cases.queries import case, cases, likely_causes
from tracelog.cases.shapes import CASES, STANDING
from tracelog.cases.step_actions import add_step
from tracelog.language import _
from tracelog.web.collections import id_in_address, keep_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, now, permit
from tracelog.web.shapes import ID, KEEP_GOOD, KEPT_ONE, Asked, Call, answers_with, described
from tracelog.web.strict_json import answer_json

cases_api = Blueprint("cases_api", __name__, url_prefix="/api/v1")
_WHICH = Asked("case_id", ID, "the case's id", place="path")


@cases_api.get("/cases")
@permit("see")
@described(
    Call(
        "Cases with their steps, open ones first, then the newest.",
        answers_with(CASES),
        asked=(Asked("open", KEEP_GOOD.shape, "1: only open ones; 0: only those that ended"),),
    )
)
def get_cases() -> Response:
    """All cases, or the open ones, or those that ended."""
    asked = Parameters(("open",))
    is_open = asked.yes_no("open")
    asked.finish()
    found = [one for one in cases(current_session()) if is_open in (None, one.is_open)]
    return answer_json({"cases": [case_answer(one) for one in found]})


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
        "A case, what the numbers say of its last action, and its likely causes.",
        answers_with(STANDING),
        asked=(_WHICH,),
        problems=(404,),
    )
)
def get_case(case_id: str) -> Response:
    """One case: before against after, and how many more strokes are needed."""
    Parameters(()).finish()
    session = current_session()
    standing = case(session, _id_in_path(case_id), now())
    return answer_json(standing_answer(standing, likely_causes(session, standing.case)))


@cases_api.post("/cases/<case_id>/steps")
@permit("work on case")
@described(
    Call(
        "Write a note, an action, a confirmed cause or the end of a case.",
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
