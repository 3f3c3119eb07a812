"""The page for whoever signed in with a password that was given to them: choosing their own."""

from flask import Blueprint, current_app, redirect, request, url_for
from werkzeug.wrappers import Response

from tracelog.errors import NotAllowed
from tracelog.language import _
from tracelog.people.sessions import must_choose_secret
from tracelog.people.views import own_secret_page
from tracelog.web.forms import Form
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import PUBLIC, is_api, is_reading, permission_of, permit

first_pages = Blueprint("first_pages", __name__)
# Reached although one's own password is still to be chosen; what anybody reaches is so too.
_BEFORE_OWN_SECRET = frozenset({"first_pages.choose", "people.change_own_secret"})


@first_pages.before_app_request
def own_secret_first() -> Response | None:
    """Whoever came in with a password that was given to them chooses an own one first."""
    # Looked up in the cookie alone, so that other requests do not wait for the database.
    if not must_choose_secret() or request.endpoint in _BEFORE_OWN_SECRET | {None}:
        return None
    if permission_of(current_app.view_functions[str(request.endpoint)]) == PUBLIC:
        return None
    if is_api() or not is_reading():
        tell_refusal(Refusal.FIRST_PASSWORD)
        raise NotAllowed(_("first choose a password of your own in place of the one given to you"))
    return redirect(url_for("first_pages.choose"), 303)


@first_pages.get("/me/secret")
@permit("change own secret")
def choose() -> str | Response:
    """Choosing one's own password or PIN in place of the one that was given."""
    if not must_choose_secret():
        return redirect(url_for("people.own_page"))
    return own_secret_page(Form())
