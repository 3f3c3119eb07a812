"""Choosing a language: for oneself once signed in, for this browser before."""

from flask import Blueprint, redirect, request
from werkzeug.wrappers import Response

from tracelog.people.language_actions import check_language, choose_language
from tracelog.people.sessions import signed_in_account
from tracelog.web.forms import safe_next
from tracelog.web.request import current_actor, current_session, now, public
from tracelog.web.security import drop_cookie, keep_cookie
from tracelog.web.speaking import COOKIE

languages = Blueprint("languages", __name__)

A_YEAR = 31_536_000


@languages.post("/language")
@public
def choose() -> Response:
    """Keep a language: a person's own setting, or a browser's, where several may sign in."""
    name = request.form.get("language", "")
    onward = redirect(safe_next(request.form.get("next"), "/"), 303)
    account = signed_in_account()
    if account is not None:
        choose_language(current_session(), account.id, name, current_actor(), now())
        return onward
    kept = check_language(name)
    if kept is None:
        drop_cookie(onward, COOKIE)
    else:
        keep_cookie(onward, COOKIE, kept, A_YEAR)
    return onward
