"""Pages of those who look after shared tablets: which there are, and PINs that were lost."""

import uuid

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from tracelog.errors import NotAllowed, NotFound, TracelogError
from tracelog.language import _
from tracelog.people import queries, tablet_actions, tablet_queries
from tracelog.people.sessions import end_session
from tracelog.people.tablets import remember_tablet, tablet_here
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_lines_now

tablets = Blueprint("tablets", __name__)
USUAL_IDLE_MINUTES = "3"


@tablets.get("/tablets")
@permit("share tablet")
def all_tablets() -> str:
    """All shared tablets, and a form that makes this browser one."""
    return _page(Form({"idle_minutes": USUAL_IDLE_MINUTES}))


def _page(form: Form) -> str:
    numbers = {line_id: number for number, line_id in the_lines_now().items()}
    return render_template(
        "people/tablets.html",
        tablets=tablet_queries.tablets(current_session()),
        here=tablet_here(),
        numbers=numbers,
        lines=[(str(number), _("Line %(line)d", line=number)) for number in numbers.values()],
        form=form,
    )


@tablets.post("/tablets")
@permit("share tablet")
def share() -> Response | tuple[str, int]:
    """Make this browser a shared tablet; who made it is signed out, and the names are offered."""
    form = posted(["name", "line", "idle_minutes"])
    try:
        secret = tablet_actions.share_tablet(
            current_session(),
            form.value("name"),
            _line(form.value("line")),
            form.value("idle_minutes"),
            current_actor(),
            now(),
        )
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    end_session()
    response = redirect(url_for("pins.choose"), 303)
    remember_tablet(response, secret)
    return response


def _line(text: str) -> uuid.UUID | None:
    if not text:
        return None
    found = next((own for line, own in the_lines_now().items() if str(line) == text), None)
    if found is None:
        raise TracelogError(_("'%(text)s' is not a line of this plant", text=text[:20]), "line")
    return found


@tablets.post("/tablets/<uuid:tablet_id>/idle")
@permit("share tablet")
def set_idle(tablet_id: uuid.UUID) -> Response | tuple[str, int]:
    """Let a tablet lock sooner or later."""
    minutes = request.form.get("idle_minutes", "").strip()
    try:
        tablet_actions.set_idle(current_session(), tablet_id, minutes, current_actor(), now())
    except NotFound:
        raise
    except TracelogError as problem:
        form = Form({"idle_minutes": USUAL_IDLE_MINUTES}).with_problem(problem)
        return _page(form), problem.status
    flash(_("The tablet locks after %(minutes)s minutes without a touch.", minutes=minutes))
    return redirect(url_for("tablets.all_tablets"), 303)


@tablets.post("/tablets/<uuid:tablet_id>/revoke")
@permit("share tablet")
def revoke(tablet_id: uuid.UUID) -> Response:
    """End a tablet."""
    tablet_actions.revoke_tablet(current_session(), tablet_id, current_actor(), now())
    flash(_("The tablet is revoked; it takes no PIN any more."))
    return redirect(url_for("tablets.all_tablets"), 303)


@tablets.get("/pins")
@permit("reset pin")
def pins() -> str:
    """Everybody, whether they have a PIN, and a button that resets it."""
    return _pins()


def _pins(name: str = "", pin: str = "") -> str:
    return render_template(
        "people/pins.html",
        people=tablet_queries.pin_states(current_session()),
        new_name=name,
        new_pin=pin,
        present=now(),
    )


@tablets.post("/pins/<uuid:account_id>")
@permit("reset pin")
def reset(account_id: uuid.UUID) -> str:
    """Give somebody a PIN that is good once, and show it, this once.

    Raises:
        NotFound: there is no such account.
        NotAllowed: it is an administrator's, and who asks is none.
    """
    session = current_session()
    found = queries.account(session, account_id)
    if found is None:
        raise NotFound(_("there is no such account"))
    if found.id == current_actor().account_id:
        raise NotAllowed(_("your own PIN is set on your own page"))
    pin = tablet_actions.reset_pin(session, account_id, current_actor(), now())
    return _pins(found.display_name, pin)
