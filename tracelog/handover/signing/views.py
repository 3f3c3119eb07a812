"""Signing a shift, the page as it was signed, and the list of shifts."""

import uuid
from datetime import timedelta

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, TracelogError
from tracelog.facts import read_day
from tracelog.handover.signing.actions import sign_shift
from tracelog.handover.signing.facts import SignatureFact
from tracelog.handover.signing.queries import Signed, past_shifts, shown_page
from tracelog.handover.signing.rules import MOST_SHIFTS, last_of_day
from tracelog.handover.views import shift_html
from tracelog.instants import day_of, write_instant
from tracelog.language import _
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.strict_json import answer_json

signing_pages = Blueprint("handover_signing", __name__)


@signing_pages.post("/handover/sign")
@permit("hand over shift")
def sign() -> AnyResponse | tuple[str, int]:
    """Sign a shift for one side."""
    form = posted(("id", "at", "side", "words", "having_read"))
    moment = now()
    try:
        fact = SignatureFact.read(form.values, the_plant_now().zone)
        moment = fact.at
        sign_shift(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        page = shift_html(min(moment, now()), Form(), sign_form=form.with_problem(problem))
        return page, problem.status
    flash(_("Signed; the page as it is now is kept."))
    return redirect(f"/handover?at={write_instant(fact.at)}", 303)


@signing_pages.get("/handover/signatures/<uuid:signature>.json")
@permit("see")
def signed_page(signature: uuid.UUID) -> Response:
    """The page as it was signed: the documented answer."""
    return answer_json(shown_page(current_session(), signature))


@signing_pages.get("/handover/shifts")
@permit("see")
def shifts_page() -> str | tuple[str, int]:
    """Past shifts and whether they were signed, up to ``?day=``."""
    form, status = asked(("day",)), 200
    plant, until = the_plant_now(), now()
    if form.value("day"):
        try:
            until = min(last_of_day(read_day(form.value("day")), plant.zone), now())
        except ValueError as problem:
            form = form.with_problem(TracelogError(str(problem), "day"))
            status = BadFact.status
    found = past_shifts(current_session(), plant, until, MOST_SHIFTS, now())
    page = render_template(
        "handover/shifts.html",
        form=form,
        shifts=found,
        states=state_words(),
        earlier=day_of(found[-1].shift.started_at, plant.zone) - timedelta(days=1)
        if found
        else None,
    )
    return page, status


def state_words() -> dict[str, str]:
    """How far a handover has come, in words."""
    return {
        Signed.NOT: _("not signed"),
        Signed.HANDED_OVER: _("handed over, not taken over"),
        Signed.TAKEN_OVER: _("signed by both"),
    }
