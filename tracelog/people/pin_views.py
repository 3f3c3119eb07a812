"""Pages of a shared tablet: tapping a name, typing a PIN, locking, and choosing a PIN."""

import uuid
from datetime import timedelta
from math import ceil
from typing import Any

from flask import (
    Blueprint,
    current_app,
    flash,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from werkzeug.wrappers import Response

from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.people import queries, tablet_actions, tablet_queries
from tracelog.people.attempts import prove_password
from tracelog.people.pin_rules import LONGEST_PIN, SHORTEST_PIN
from tracelog.people.secrets import verify_secret
from tracelog.people.sessions import (
    begin_session,
    end_session,
    go_on_with,
    is_by_pin,
    must_choose_pin,
    own_pin_is_set,
    tablet_of_session,
)
from tracelog.people.tablet_queries import TabletView
from tracelog.people.tablets import onward_for, remember_tablet, start_page, tablet_here
from tracelog.people.views import own_account, show_own_page
from tracelog.web.forms import Form, safe_next
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import (
    PUBLIC,
    current_actor,
    current_session,
    finish,
    house,
    now,
    permission_of,
    permit,
    public,
)

pins = Blueprint("pins", __name__)
# Reached although one's own PIN is still to be chosen; what anybody reaches is so too.
_BEFORE_OWN_PIN = frozenset({"pins.choose_own", "pins.keep_own"})


@pins.before_app_request
def own_pin_first() -> Response | None:
    """Whoever came in with a PIN that was given to them chooses an own one before anything else."""
    # Looked up in the cookie alone, so that other requests do not wait for the database.
    if not must_choose_pin() or request.endpoint in _BEFORE_OWN_PIN | {None}:
        return None
    if permission_of(current_app.view_functions[str(request.endpoint)]) == PUBLIC:
        return None
    return redirect(url_for("pins.choose_own"), 303)


@pins.app_context_processor
def _what_locks() -> dict[str, Any]:
    """The shared tablet that who is signed in sits at, for the part of the layout that locks."""
    return {"tablet_of_session": tablet_of_session}


def _tablet() -> TabletView:
    tablet = tablet_here()
    if tablet is None:
        raise NotFound(_("this browser is not a shared tablet; sign in with name and password"))
    return tablet


@pins.get("/who")
@public
def choose() -> str | Response:
    """The names to tap on; elsewhere than on a shared tablet, the page to sign in on."""
    onward = safe_next(request.args.get("next"), "/")
    tablet = tablet_here()
    if tablet is None:
        return redirect(url_for("people.sign_in", next=onward))
    with reading(house().engine) as session:
        people = tablet_queries.people_at(session, tablet.id)
    return render_template(
        "people/choose.html",
        tablet=tablet,
        lately=[one for one in people if one.last_here_at is not None],
        others=[one for one in people if one.last_here_at is None],
        onward=onward,
    )


@pins.get("/who/<uuid:account_id>")
@public
def pad(account_id: uuid.UUID) -> str | Response:
    """The number pad for one person's PIN."""
    if tablet_here() is None:
        return redirect(url_for("people.sign_in"))
    return _pad(account_id, safe_next(request.args.get("next"), "/"), Form())


def _person(account_id: uuid.UUID) -> tuple[queries.AccountView, str | None]:
    with reading(house().engine) as session:
        account = queries.account(session, account_id)
        pin_hash, once_until = tablet_queries.kept_pin(session, account_id)
    if account is None or not account.active:
        raise NotFound(_("there is no such account"))
    is_over = once_until is not None and once_until < now()
    return account, None if is_over else pin_hash


def _pad(account_id: uuid.UUID, onward: str, form: Form) -> str:
    account, pin_hash = _person(account_id)
    return render_template(
        "people/pad.html",
        account=account,
        has_pin=pin_hash is not None,
        onward=onward,
        form=form,
        shortest=SHORTEST_PIN,
        longest=LONGEST_PIN,
    )


@pins.post("/who/<uuid:account_id>")
@public
def enter(account_id: uuid.UUID) -> Response | tuple[str, int]:
    """Look at a PIN: all of it, or (`early`) what has been typed so far.

    What was typed so far is answered with JSON: where to go if it was all, else how many seconds
    nobody may try again. It is counted before it is looked at, in a transaction of its own.
    """
    tablet = _tablet()
    onward = safe_next(request.form.get("next"), "/")
    typed = request.form.get("pin", "")[: LONGEST_PIN + 1]
    early = request.form.get("early") == "yes"
    account, pin_hash = _person(account_id)
    attempt = tablet_actions.count_attempt(
        current_session(), tablet.id, account.id, len(typed), not early, now()
    )
    finish(200)
    is_right = attempt.is_let_in and verify_secret(typed, pin_hash)
    if is_right:
        onward = _let_in(account, tablet, onward)
    elif not early:
        problem = TracelogError(_wrong(account, attempt))
        return _pad(account_id, onward, Form().with_problem(problem)), 422
    if not early:
        response: Response = redirect(onward, 303)
    else:
        wait = ceil(attempt.wait.total_seconds())
        response = jsonify(next=onward if is_right else None, wait_seconds=wait)
    if is_right:
        remember_tablet(response)
    return response


def _wrong(account: queries.AccountView, attempt: tablet_actions.Attempt) -> str:
    name = account.display_name
    if attempt.is_let_in and attempt.wait == timedelta(0):
        return _("That is not the PIN of %(name)s.", name=name)
    tell_refusal(Refusal.ATTEMPTS)
    return _(
        "Too many wrong PINs for %(name)s here. Wait %(seconds)d seconds, or sign in with the"
        " password; a supervisor can reset the PIN.",
        name=name,
        seconds=ceil(attempt.wait.total_seconds()),
    )


def _let_in(account: queries.AccountView, tablet: TabletView, onward: str) -> str:
    actor = Actor(account.name, account.role, "page", account.id, by_pin=True)
    session = current_session()
    tablet_actions.note_tablet_sign_in(session, tablet.id, account.id, actor, now())
    _hash, once_until = tablet_queries.kept_pin(session, account.id)
    begin_session(account, tablet, way="pin", once=once_until is not None)
    if once_until is not None:
        return url_for("pins.choose_own")
    start = start_page(tablet)
    return start if onward == "/" else onward_for(actor, onward, start)


@pins.post("/lock")
@public
def lock() -> Response:
    """End whoever's session, and offer the names again; who comes next goes on where this was."""
    end_session()
    return redirect(url_for("people.sign_in", next=safe_next(request.form.get("next"), "/")), 303)


@pins.get("/still-here")
@permit("see")
def still_here() -> Response:
    """Somebody touches the tablet without asking for a page: their session goes on."""
    return Response(status=204)


@pins.get("/me/pin")
@permit("change own pin")
def choose_own() -> str | Response:
    """Choosing an own PIN in place of the one that was given."""
    if not must_choose_pin():
        return redirect(url_for("people.own_page"))
    return render_template("people/first_pin.html", form=Form())


@pins.post("/me/pin")
@permit("change own pin")
def keep_own() -> Response | tuple[str, int]:
    """An own PIN, proved by password or present PIN unless the present one was given just now."""
    account = own_account()
    first = must_choose_pin()
    pin = request.form.get("pin", "")
    try:
        if not first:
            prove(account, request.form.get("present", "")[:1000])
        if pin != request.form.get("again"):
            raise TracelogError(_("is not the same as the PIN above"), "again")
        epoch = tablet_actions.set_own_pin(
            current_session(), account.id, pin, current_actor(), now()
        )
    except TracelogError as problem:
        form = Form().with_problem(problem)
        if first:
            return render_template("people/first_pin.html", form=form), problem.status
        return show_own_page(account, Form(), form), problem.status
    go_on_with(epoch)
    own_pin_is_set()
    flash(_("Your PIN counts from now on, at every shared tablet."))
    tablet = tablet_of_session()
    target = start_page(tablet) if first and tablet is not None else url_for("people.own_page")
    return redirect(target, 303)


def prove(account: queries.AccountView, present: str) -> None:
    """Prove by the password, or within a session that a PIN opened, by that PIN.

    Args:
        account: whose session it is.
        present: as typed.

    Raises:
        TracelogError: it is wrong, or was so too often; at the field ``present``.
    """
    session = current_session()
    tablet = tablet_of_session()
    if is_by_pin() and tablet is not None:
        attempt = tablet_actions.count_attempt(
            session, tablet.id, account.id, len(present), is_last=True, now=now()
        )
        finish(200)
        kept, _once = tablet_queries.kept_pin(session, account.id)
        if attempt.is_let_in and verify_secret(present, kept):
            return
        raise TracelogError(_wrong(account, attempt), "present")
    prove_password(account, present, _("is not your present password"))
