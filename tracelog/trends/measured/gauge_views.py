"""The pages of gauge studies: the list with a form for a new one, one study, and its file."""

from urllib.parse import urlencode

from flask import Blueprint, Response, flash, redirect, render_template, request
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, Fault, NotFound, TracelogError
from tracelog.language import _
from tracelog.outcomes import CREATED
from tracelog.plant.queries import directory
from tracelog.trends.measured.actions import record_gauge_readings
from tracelog.trends.measured.facts import GaugeReadingFact
from tracelog.trends.measured.gauge_page import gauge_page
from tracelog.trends.measured.gauge_studies import (
    STUDY_FIELDS,
    StudyQuestion,
    read_study_question,
    study_answer,
)
from tracelog.trends.measured.pasted import COLUMNS, read_pasted
from tracelog.trends.measured.queries import gauge_studies
from tracelog.trends.measured.tables import gauge_sheet
from tracelog.trends.measured.wording import characteristic_name
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

gauge_pages = Blueprint("gauge", __name__)


@gauge_pages.get("/trends/gauge")
@permit("see")
def gauge_view() -> str:
    """All studies, and a form for a new one."""
    return _list(Form())


def _list(form: Form) -> str:
    studies = gauge_studies(current_session())
    names = {one.characteristic: characteristic_name(one.characteristic) for one in studies}
    return render_template(
        "trends/measured/gauge.html", form=form, studies=studies, names=names, columns=COLUMNS
    )


@gauge_pages.post("/trends/gauge")
@permit("record measurement")
def record_gauge_study() -> AnyResponse | tuple[str, int]:
    """Keep the readings that were pasted or uploaded, all of them or none."""
    form = posted(["rows"])
    try:
        facts = read_pasted(_sent(form), the_plant_now().zone)
        kept = _keep(facts)
    except TracelogError as problem:
        current_session().rollback()
        return _list(form.with_problem(problem)), problem.status
    flash(
        _(
            "%(kept)d readings are kept; %(known)d were there already.",
            kept=kept,
            known=len(facts) - kept,
        )
    )
    first = facts[0]
    query = urlencode({"study": first.study, "characteristic": first.characteristic})
    return redirect(f"/trends/gauge/study?{query}", 303)


def _sent(form: Form) -> str:
    """What was pasted, or the text of the file."""
    file = request.files.get("file")
    if file is None or not file.filename:
        return form.value("rows")
    if form.value("rows"):
        raise BadFact((Fault("file", _("was sent together with pasted rows; send one of them")),))
    try:
        return str(file.read(), "utf-8")
    except UnicodeDecodeError:
        raise BadFact(
            (Fault("file", _("is not text in UTF-8; save it as CSV in UTF-8 and send it again")),)
        ) from None


def _keep(facts: list[GaugeReadingFact]) -> int:
    """How many readings are new.

    Raises:
        BadFact: some contradict what is on record.
    """
    outcomes = record_gauge_readings(current_session(), facts, current_actor(), now())
    refused = [
        Fault(
            "rows",
            _(
                "part %(part)s, %(appraiser)s, trial %(trial)d: %(why)s",
                part=fact.part,
                appraiser=fact.appraiser,
                trial=fact.trial,
                why="; ".join(str(fault) for fault in outcome.faults),
            ),
        )
        for fact, outcome in zip(facts, outcomes, strict=True)
        if not outcome.is_kept
    ]
    if refused:
        raise BadFact(tuple(refused[:20]))
    return sum(outcome == CREATED for outcome in outcomes)


@gauge_pages.get("/trends/gauge/study")
@permit("see")
def gauge_study_view() -> tuple[str, int]:
    """One study: what it says, its components, its table, its readings."""
    form = asked(("study", *STUDY_FIELDS))
    page, status = None, 200
    try:
        page = gauge_page(study_answer(current_session(), _question(request.args)))
    except NotFound:
        raise
    except TracelogError as problem:
        form, status = form.with_problem(problem), 400
    body = render_template("trends/measured/gauge_study.html", form=form, page=page)
    return body, status


def _question(values: MultiDict[str, str]) -> StudyQuestion:
    named = {name: given for name, given in values.to_dict(flat=False).items() if name != "study"}
    session, plant = current_session(), the_plant_now()
    study = values.get("study", "").strip()
    return read_study_question(study, named, plant.zone, directory(session), now())


@gauge_pages.get("/trends/gauge/study.<kind>")
@permit("see")
def gauge_study_file(kind: str) -> Response:
    """The components of one study as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise NotFound(_("there is no such file; there is study as csv or xlsx"))
    answer = study_answer(current_session(), _question(request.args))
    if answer.result is None:
        raise TracelogError(answer.why_not)
    return sheet_file(gauge_sheet(answer.result, the_plant_now().zone), "gauge-study", kind)
