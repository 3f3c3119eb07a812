"""The page of explanations: what most likely lies behind a defect's rate, and its picture."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlencode

from flask import Blueprint, Response, render_template

from tracelog.cases.explain.answers import explain_sheet, shown
from tracelog.cases.explain.drawing import Map, map_of
from tracelog.cases.explain.explaining import Explained, explain
from tracelog.cases.explain.inside import Inside
from tracelog.cases.explain.questions import ExplainQuestion, question
from tracelog.cases.explain.ranking import Likely
from tracelog.cases.explain.wording import moment, one_after_another, reason, title
from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import day_of, moment_or_day
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.request import current_session, now, permit, the_plant_now

explain_pages = Blueprint("explain", __name__)
FIELDS = ("defect", "from", "to", "as_of")
# So many causes get a picture; of the others the figures stand in the table.
PICTURES = 3
_PICTURED_FROM = 0.02


@dataclass(frozen=True)
class Card:
    """One explanation as the page shows it."""

    rank: int
    likely: Likely
    inside: Inside
    title: str
    reason: str
    since: datetime | None
    since_low: datetime | None
    since_high: datetime | None
    picture: Map | None


@explain_pages.get("/cases/explain")
@permit("see")
def explain_page() -> tuple[str, int]:
    """The question, and where a kind of defect was chosen its explanations."""
    form = asked(FIELDS)
    if not form.value("defect"):
        return _page(form, None), 200
    try:
        wanted = _question(form)
        answer = explain(current_session(), the_plant_now(), directory(current_session()), wanted)
    except TracelogError as problem:
        return _page(form.with_problem(problem), None), problem.status
    return _page(_filled(form, wanted), answer), 200


def _question(form: Form) -> ExplainQuestion:
    zone = the_plant_now().zone

    def instant(name: str, *, ends: bool = False) -> datetime | None:
        text = form.value(name)
        if not text:
            return None
        try:
            return moment_or_day(text, zone, ends=ends)
        except ValueError as problem:
            raise TracelogError(str(problem), name) from None

    start, end, as_of = instant("from"), instant("to", ends=True), instant("as_of")
    return question(
        current_session(),
        form.value("defect"),
        start,
        end,
        now(),
        as_of,
    )


def _filled(form: Form, wanted: ExplainQuestion) -> Form:
    zone = the_plant_now().zone
    usual = {
        "from": day_of(wanted.start, zone).isoformat(),
        "to": day_of(wanted.end - timedelta(microseconds=1), zone).isoformat(),
    }
    return Form({name: form.value(name) or usual.get(name, "") for name in FIELDS})


def _page(form: Form, answer: Explained | None) -> str:
    kinds = [(kind.defect, kind.title) for kind in vocabulary(current_session())]
    cards = [] if answer is None else _cards(answer)
    return render_template(
        "cases/explain.html",
        form=form,
        kinds=kinds,
        defect=dict(kinds).get(form.value("defect"), form.value("defect")),
        answer=answer,
        last_day=None if answer is None else answer.asked.end - timedelta(microseconds=1),
        cards=cards,
        beside=None if answer is None else _beside(answer),
        query=urlencode([(name, form.value(name)) for name in FIELDS if form.value(name)]),
    )


def _cards(answer: Explained) -> list[Card]:
    return [_card(answer, rank, *pair) for rank, pair in enumerate(shown(answer), start=1)]


def _beside(answer: Explained) -> Card | None:
    return None if answer.beside is None else _card(answer, 1, *answer.beside)


def _card(answer: Explained, rank: int, one: Likely, inside: Inside) -> Card:
    zone = the_plant_now().zone
    picture = None
    if answer.ranking is not None and rank <= PICTURES and one.probability >= _PICTURED_FROM:
        evidence = answer.ranking.ground.evidence
        picture = map_of(evidence, inside, zone, in_turns=one_after_another(inside))
    return Card(
        rank,
        one,
        inside,
        title(one, zone),
        reason(one, inside, answer, zone),
        moment(one.since),
        moment(one.since_low),
        moment(one.since_high),
        picture,
    )


@explain_pages.get("/cases/explain.<kind>")
@permit("see")
def explain_file(kind: str) -> Response:
    """The explanations of the page as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise NotFound(_("there is no such file; there are explain.csv and explain.xlsx"))
    plant, session = the_plant_now(), current_session()
    answer = explain(session, plant, directory(session), _question(asked(FIELDS)))
    return sheet_file(explain_sheet(answer, plant.zone), f"explain-{answer.asked.defect}", kind)
