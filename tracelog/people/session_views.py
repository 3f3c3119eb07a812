"""Pages of sessions: where one is signed in, and ending that; an administrator ends others'."""

import uuid

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from tracelog.errors import NotAllowed, TracelogError
from tracelog.language import _
from tracelog.people import session_actions
from tracelog.people.pin_views import prove
from tracelog.people.session_queries import sessions_of
from tracelog.people.sessions import (
    end_session,
    is_by_pin,
    is_by_provider,
    is_proven,
    note_proven,
    own_session_id,
)
from tracelog.people.views import own_account
from tracelog.web.forms import Form
from tracelog.web.request import current_actor, current_session, now, permit

session_pages = Blueprint("session_pages", __name__)


@session_pages.get("/me/sessions")
@permit("end own sessions")
def own_sessions() -> str:
    """Where one is signed in just now."""
    return _own_sessions(Form())


def _own_sessions(form: Form) -> str:
    return render_template(
        "people/sessions.html",
        sessions=sessions_of(current_session(), own_account().id, now()),
        here=own_session_id(),
        form=form,
        proven=is_proven(),
        by_pin=is_by_pin(),
        by_provider=is_by_provider(),
    )


@session_pages.post("/me/sessions/prove")
@permit("end own sessions")
def prove_again() -> tuple[str, int] | Response:
    """Prove once more that it is they, to end sessions elsewhere for some minutes."""
    try:
        if is_by_provider():
            raise NotAllowed(_("sign in by the provider once more to prove that it is you"))
        prove(own_account(), request.form.get("present", "")[:1000])
    except TracelogError as problem:
        return _own_sessions(Form().with_problem(problem)), problem.status
    note_proven()
    return redirect(url_for("session_pages.own_sessions"), 303)


def _asked_to_prove() -> tuple[str, int] | None:
    """The page with a sentence, where who is signed in has to prove first that it is they."""
    if is_proven():
        return None
    problem = NotAllowed(_("prove first that it is you; then end sessions elsewhere"))
    return _own_sessions(Form().with_problem(problem)), problem.status


@session_pages.post("/me/sessions/<uuid:session_id>/end")
@permit("end own sessions")
def end_own(session_id: uuid.UUID) -> tuple[str, int] | Response:
    """End one of one's own sessions; this one: sign out."""
    account = own_account()
    if session_id == own_session_id():
        end_session()
        return redirect(url_for("people.sign_in"), 303)
    if (asked := _asked_to_prove()) is not None:
        return asked
    session_actions.end_one(current_session(), account.id, session_id, current_actor(), now())
    flash(_("That session has ended."))
    return redirect(url_for("session_pages.own_sessions"), 303)


@session_pages.post("/me/sessions/end")
@permit("end own sessions")
def end_all_own() -> tuple[str, int] | Response:
    """Sign out everywhere, here too."""
    account = own_account()
    if (asked := _asked_to_prove()) is not None:
        return asked
    session_actions.end_all(current_session(), account.id, current_actor(), now())
    end_session()
    return redirect(url_for("people.sign_in"), 303)


@session_pages.post("/accounts/<uuid:account_id>/sessions/<uuid:session_id>/end")
@permit("manage accounts")
def end_others(account_id: uuid.UUID, session_id: uuid.UUID) -> Response:
    """End one session of somebody."""
    session_actions.end_one(current_session(), account_id, session_id, current_actor(), now())
    flash(_("That session has ended."))
    return redirect(url_for("people.account", account_id=account_id), 303)


@session_pages.post("/accounts/<uuid:account_id>/sessions/end")
@permit("manage accounts")
def end_all_others(account_id: uuid.UUID) -> Response:
    """End all sessions of somebody."""
    session_actions.end_all(current_session(), account_id, current_actor(), now())
    flash(_("All sessions of this account have ended."))
    return redirect(url_for("people.account", account_id=account_id), 303)
