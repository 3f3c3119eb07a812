"""Signing in by an identity provider, linking one's account to it, and signing out there."""

from typing import Any

from flask import (
    Blueprint,
    Flask,
    current_app,
    flash,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from tracelog.audit import Actor
from tracelog.config import Settings
from tracelog.db import writing
from tracelog.errors import NotAllowed, NotFound, TracelogError
from tracelog.language import _
from tracelog.people import actions as people_actions
from tracelog.people import queries as people_queries
from tracelog.people.attempt_actions import count_attempt, forgive_attempt
from tracelog.people.attempt_rules import place_of
from tracelog.people.attempts import TooManyAttempts
from tracelog.people.provider import actions, queries
from tracelog.people.provider.settings import read_provider, role_for
from tracelog.people.provider.talking import Flow, ProviderFault, Talker, Vouched
from tracelog.people.queries import AccountView
from tracelog.people.sessions import begin_session, must_choose_secret, signed_in_account
from tracelog.web.forms import safe_next
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import (
    current_actor,
    current_session,
    house,
    may,
    now,
    permit,
    public,
)
from tracelog.web.security import address_of

provider_pages = Blueprint("provider_pages", __name__)
_EXTENSION = "tracelog_provider"
_FLOW = "provider_flow"


def furnish_provider(app: Flask, settings: Settings) -> None:
    """Give an application its identity provider, if the settings name one.

    Raises:
        TracelogError: the settings are not right.
    """
    provider = read_provider(settings)
    app.extensions[_EXTENSION] = Talker(provider) if provider else None


@provider_pages.app_context_processor
def _shown() -> dict[str, Any]:
    talker: Talker | None = current_app.extensions.get(_EXTENSION)
    return {"identity_provider": talker.provider.name if talker else None}


def _talker() -> Talker:
    talker: Talker | None = current_app.extensions.get(_EXTENSION)
    if talker is None:
        raise NotFound(_("no identity provider is set"))
    return talker


def _here(endpoint: str) -> str:
    """An address of ours as the provider knows it."""
    base = house().settings.base_url
    if base:
        return base.rstrip("/") + url_for(endpoint)
    return url_for(endpoint, _external=True)


@provider_pages.get("/sign-in/provider")
@public
def begin() -> Response:
    """On to the provider; a link and no form, since forms of ours lead nowhere else."""
    linking = ""
    if request.args.get("link") == "yes":
        account = signed_in_account()
        if account is None or not may("change own secret") or must_choose_secret():
            raise NotAllowed(_("sign in with your password to link your account"))
        linking = str(account.id)
    onward = safe_next(request.args.get("next"), "/")
    anew = request.args.get("anew") == "yes"
    url, flow = _talker().begin(_here("provider_pages.back"), onward, now(), linking, anew=anew)
    session[_FLOW] = flow.kept()
    return redirect(url)


@provider_pages.get("/sign-in/provider/back")
@public
def back() -> Response | tuple[str, int]:
    """Back from the provider: whom it vouches for is signed in, or linked."""
    talker = _talker()
    # Whatever comes of it, this flow is over.
    kept = session.pop(_FLOW, None)
    counted = {"address": place_of(address_of(request))}
    with writing(house().engine) as own:
        wait = count_attempt(own, counted, now())
    try:
        if wait:
            tell_refusal(Refusal.ATTEMPTS)
            raise TooManyAttempts(wait)
        if not isinstance(kept, dict):
            raise ProviderFault(_("this is no answer to your sign-in; begin once more"))
        flow = Flow(**kept)
        vouched = talker.finish(flow, _here("provider_pages.back"), request.args, now())
        linker = _linker(flow) if flow.linking else None
        with writing(house().engine) as own:
            forgive_attempt(own, counted)
            if linker is not None:
                _link(own, linker, vouched)
            else:
                _let_in(own, talker, vouched)
    except TracelogError as problem:
        if not isinstance(problem, TooManyAttempts):
            tell_refusal(Refusal.PROVIDER)
        return render_template("people/provider.html", problem=problem), problem.status
    return redirect(url_for("people.own_page") if linker else flow.onward, 303)


def _linker(flow: Flow) -> Actor:
    """Whoever began to link their account, if they are still signed in by their password."""
    account = signed_in_account()
    is_same = account is not None and str(account.id) == flow.linking
    if not is_same or not may("change own secret") or must_choose_secret():
        raise NotAllowed(_("sign in with your password to link your account"))
    return current_actor()


def _link(own: Session, linker: Actor, vouched: Vouched) -> None:
    if linker.account_id is None:
        raise NotFound(_("there is no such account"))
    actions.link(own, linker.account_id, vouched.issuer, vouched.subject, linker, now())
    flash(_("From now on you can sign in by the provider, too."))


def _let_in(own: Session, talker: Talker, vouched: Vouched) -> None:
    account = queries.account_of(own, vouched.issuer, vouched.subject)
    if account is None:
        role = role_for(talker.provider, vouched.claims)
        made = actions.make_person(
            own, vouched.issuer, vouched.subject, role, vouched.claims, now()
        )
        account = people_queries.account(own, made)
    if account is None or not account.active:
        raise NotAllowed(_("your account is disabled; ask an administrator"))
    _begin(own, account)


def _begin(own: Session, account: AccountView) -> None:
    actor = Actor(account.name, account.role, "page", account.id)
    people_actions.note_sign_in(own, account, actor, now())
    begin_session(account, way="provider", store=own)


@provider_pages.post("/me/provider/unlink")
@permit("change own secret")
def unlink() -> Response:
    """Sign in by the provider no more."""
    account = signed_in_account()
    if account is None:
        raise NotFound(_("a token has no page of its own"))
    actions.unlink(current_session(), account.id, current_actor(), now())
    flash(_("Your account is not linked any more."))
    return redirect(url_for("people.own_page"), 303)


@provider_pages.get("/sign-out/provider")
@public
def sign_out() -> Response:
    """On to the page of the provider where one signs out there, too."""
    from authlib.common.urls import add_params_to_uri

    talker = _talker()
    endpoint = talker.metadata().get("end_session_endpoint")
    if not isinstance(endpoint, str):
        raise NotFound(_("the identity provider has no page to sign out on"))
    asked = {
        "client_id": talker.provider.client_id,
        "post_logout_redirect_uri": _here("people.sign_in"),
    }
    return redirect(add_params_to_uri(endpoint, list(asked.items())))
