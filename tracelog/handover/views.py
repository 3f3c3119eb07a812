"""The Handover page: what the shift did, what stood out, what the next one must know."""

import uuid
from datetime import datetime

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import NotFound, TracelogError
from tracelog.handover.actions import settle_note, write_note
from tracelog.handover.facts import About, HandoverNoteFact, SettlementFact
from tracelog.handover.moved import Happened
from tracelog.handover.queries import shift_page
from tracelog.handover.signing.answers import came_late
from tracelog.handover.signing.queries import signatures_of
from tracelog.instants import parse_instant, write_instant
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("handover", __name__)


def about_words() -> list[tuple[str, str]]:
    """What a note can be about, in words, the most pressing first."""
    return [
        (About.SAFETY.value, _("safety, locks on")),
        (About.DOWN.value, _("machine down, and why")),
        (About.SPEED.value, _("speed limit")),
        (About.TOOLS.value, _("tools, first can read")),
        (About.METAL.value, _("coil and label, next change")),
        (About.CHECKS.value, _("checks missed")),
        (About.WATCH.value, _("what to watch")),
    ]


@pages.get("/handover")
@permit("see")
def handover_page() -> str:
    """The present shift, or the one that held ``?at=``."""
    return _page(Form())


def _page(form: Form, settling: tuple[uuid.UUID, Form] | None = None) -> str:
    """The page, with a new note as typed so far, and a note that could not be settled."""
    return shift_html(_moment(), form, settling)


def shift_html(
    moment: datetime,
    form: Form,
    settling: tuple[uuid.UUID, Form] | None = None,
    sign_form: Form | None = None,
) -> str:
    """The page of the shift that holds an instant.

    Args:
        moment: UTC.
        form: a new note as typed so far.
        settling: a note that could not be settled, and what was typed.
        sign_form: what was typed to sign the shift.
    """
    session = current_session()
    page = shift_page(session, the_plant_now(), moment, now())
    started_at = page.shift.started_at
    signed = signatures_of(session, [started_at])[started_at]
    signing = sign_form or Form()
    return render_template(
        "handover/handover.html",
        page=page,
        signed=signed,
        late=came_late(signed, page),
        sign_form=signing,
        sign_id=signing.own_id(),
        at=write_instant(started_at),
        actor_name=current_actor().name,
        happened=happened_words(),
        earlier=write_instant(page.earlier),
        later=write_instant(page.later) if page.later else None,
        form=form,
        settling=dict([settling] if settling else []),
        note_id=form.own_id(),
        about=about_words(),
        about_named=dict(about_words()),
        lines=[str(line) for line in directory(session).lines],
    )


def happened_words() -> dict[str, str]:
    """What became of a signal, a case or a hold, in words."""
    return {
        Happened.RAISED: _("raised"),
        Happened.DECIDED: _("decided about"),
        Happened.ENDED: _("ended"),
        Happened.OPENED: _("opened"),
        Happened.MOVED: _("worked on"),
        Happened.CAME_BACK: _("came back"),
        Happened.WIDENED: _("window moved"),
        Happened.RELEASED: _("pallets decided"),
        Happened.CLOSED: _("closed"),
    }


def _moment() -> datetime:
    text = asked(("at",)).value("at")
    if not text:
        return now()
    try:
        return min(parse_instant(text, the_plant_now().zone), now())
    except ValueError as problem:
        raise TracelogError(str(problem), "at") from None


@pages.post("/handover/notes")
@permit("log entry")
def add_note() -> AnyResponse | tuple[str, int]:
    """Write down what the next shift must know."""
    form = posted(("id", "line", "about", "text"))
    try:
        fact = HandoverNoteFact.read(form.values, the_plant_now().zone)
        write_note(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    flash(_("Written down for the next shift."))
    return redirect("/handover", 303)


@pages.post("/handover/notes/<uuid:note>/settle")
@permit("log entry")
def settle(note: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """A note need not be carried over any more."""
    form = posted(("reason",))
    try:
        fact = SettlementFact.read({"note": str(note), **form.values}, the_plant_now().zone)
        settle_note(current_session(), fact, current_actor(), now())
    except NotFound:
        raise
    except TracelogError as problem:
        return _page(Form(), (note, form.with_problem(problem))), problem.status
    flash(_("Settled; it stays on record."))
    return redirect("/handover", 303)
