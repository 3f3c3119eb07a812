"""The API's call for tracing: the dossier of a can, or everything that something made."""

from datetime import datetime
from typing import Any

from flask import Blueprint, Response

from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import directory
from tracelog.trace.answers import dossier_answer, where_used_answer
from tracelog.trace.dossier import dossier
from tracelog.trace.epcis_queries import epcis_of
from tracelog.trace.making import Question, read_certainty, read_time_code
from tracelog.trace.shapes import DOSSIER, EPCIS_DOCUMENT, WHERE_USED
from tracelog.trace.where_used import usual_start, where_used
from tracelog.trace.where_used_stretches import KINDS
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, house, now, permit, the_plant_now
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ASKED_MOMENT,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    words,
)
from tracelog.web.strict_json import answer_json

trace_api = Blueprint("trace_api", __name__, url_prefix="/api/v1")

_TRACED = Call(
    "The dossier of a can (code, at, pallet, coil together), or everything that a tool, a coil, a"
    " machine, a crew or a change touched (one of them alone, with from and to).",
    answers_with({"anyOf": [DOSSIER, WHERE_USED]}),
    asked=(
        Asked("code", TEXT, "the dome code of the can, such as 3-7 or 3-1?"),
        Asked("at", ASKED_INSTANT, "when the can was made"),
        Asked("certainty", words("sure", "unsure"), "whether the reader of the code was sure"),
        Asked("defect", TEXT, "what is wrong with the can, to weigh candidates"),
        Asked("seen_at", ASKED_INSTANT, "when the can was found, to tell when it was made"),
        Asked("found_at", TEXT, "with seen_at: the station where it was found"),
        Asked("time_code", TEXT, "what the coder wrote on the can, such as 2026-05-01 14:20"),
        Asked("pallet", TEXT, "the pallet on which the can lay"),
        Asked("coil", TEXT, "with a code or a pallet: the can's coil; alone: what it made"),
        Asked("tool", TEXT, "everything that this tool made, wherever it was fitted"),
        Asked("machine", TEXT, "everything that this machine made, such as 3-7"),
        Asked("crew", TEXT, "everything that was made in this crew's shifts"),
        Asked(
            "change",
            TEXT,
            "everything made from a change until the next of its kind there, such as"
            " coolant @ 3-7 @ 2026-03-29T06:15:00Z; of a whole line with its number",
        ),
        Asked("from", ASKED_MOMENT, "with tool, coil, machine, crew or change: from then on"),
        Asked("to", ASKED_MOMENT, "with tool, coil, machine, crew or change: before then"),
        Asked("as_of", ASKED_INSTANT, "only what was known by then"),
    ),
    problems=(404,),
)
_OF_CAN = ("code", "at", "pallet")


@trace_api.get("/trace")
@permit("see")
@described(_TRACED)
def get_trace() -> Response:
    """Trace a can, or what something made."""
    asked = Parameters([one.name for one in _TRACED.asked])
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    subjects = [name for name in KINDS if name != "coil" and asked.text(name)]
    is_of_can = any(asked.text(name) for name in _OF_CAN)
    if asked.text("coil") and not is_of_can:
        subjects.append("coil")
    if len(subjects) > 1 or (subjects and is_of_can):
        asked.tell(
            subjects[-1],
            _(
                "does not go with the others; ask for a can, or for one tool, coil, machine, crew"
                " or change"
            ),
        )
    elif not subjects and not asked.text("code") and not asked.text("pallet"):
        asked.tell("code", _("is missing; give a code such as 3-7, or a pallet, tool or machine"))
    if subjects:
        return answer_json(_made_by(asked, subjects[0], as_of))
    return answer_json(_of_can(asked, as_of))


def _of_can(asked: Parameters, as_of: datetime) -> dict[str, Any]:
    zone = the_plant_now().zone
    question = Question(
        asked.read("code", parse_dome_code),
        asked.instant("at", zone),
        asked.text("pallet"),
        asked.text("coil"),
        seen_at=asked.instant("seen_at", zone),
        found_at=asked.text("found_at"),
        time_code=asked.read("time_code", lambda text: read_time_code(text, zone)),
        is_doubted=bool(asked.read("certainty", read_certainty)),
        defect=asked.text("defect"),
    )
    for name in ("from", "to"):
        if asked.text(name):
            asked.tell(
                name,
                _("goes with a tool, a coil, a machine, a crew or a change; give at for a can"),
            )
    asked.finish()
    session = current_session()
    return dossier_answer(dossier(session, question, as_of), directory(session))


def _made_by(asked: Parameters, kind: str, as_of: datetime) -> dict[str, Any]:
    session = current_session()
    start, end = asked.period(the_plant_now().zone)
    if kind == "machine":
        asked.read("machine", directory(session).machine_named)
    asked.finish()
    end = min(end or as_of, as_of)
    start = start or usual_start(kind, end)
    name = asked.text(kind) or ""
    return where_used_answer(where_used(session, kind, name, start, end, as_of))


_EPCIS = Call(
    "What is on record of a pallet, or of a coil, as a document of GS1 EPCIS 2.0 (JSON-LD).",
    answers_with(EPCIS_DOCUMENT),
    asked=(
        Asked("pallet", TEXT, "the pallet's number"),
        Asked("coil", TEXT, "or the coil's"),
        Asked("as_of", ASKED_INSTANT, "only what was known by then"),
    ),
    problems=(404,),
)


@trace_api.get("/epcis")
@permit("see")
@described(_EPCIS)
def get_epcis() -> Response:
    """The events of a pallet or of a coil."""
    asked = Parameters([one.name for one in _EPCIS.asked])
    as_of = asked.instant("as_of", the_plant_now().zone) or now()
    pallet, coil = asked.text("pallet"), asked.text("coil")
    if (pallet is None) == (coil is None):
        asked.tell("pallet", _("give the number of one pallet, or of one coil"))
    asked.finish()
    return answer_json(
        epcis_of(current_session(), pallet, coil, house().settings.epcis_base, as_of)
    )
