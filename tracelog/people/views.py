"""Pages of the people: signing in and out, one's own page, the administrator's accounts."""

import uuid
from typing import Any

from flask import Blueprint, flash, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.people import actions, queries
from tracelog.people.attempts import (
    TooManyAttempts,
    let_in,
    look_at_attempt,
    prove_password,
    remember_device,
)
from tracelog.people.expiring import end_of
from tracelog.people.permissions import PERMISSIONS, ROLES, SCOPES
from tracelog.people.provider.queries import identities_of
from tracelog.people.secrets import hash_secret, is_outdated, verify_secret
from tracelog.people.session_queries import sessions_of
from tracelog.people.sessions import (
    begin_session,
    end_session,
    go_on_with,
    is_by_pin,
    is_by_provider,
    must_choose_secret,
    own_secret_is_set,
    own_session_id,
    signed_in_account,
)
from tracelog.people.tablet_actions import note_tablet_sign_in
from tracelog.people.tablet_queries import kept_pin
from tracelog.people.tablets import remember_tablet, tablet_here
from tracelog.web.forms import Form, posted, safe_next
from tracelog.web.request import (
    current_actor,
    current_session,
    current_visitor,
    house,
    may,
    now,
    permit,
    public,
)
from tracelog.web.security import keep_cookie

people = Blueprint("people", __name__)

LOOK_COOKIE = "tracelog_look"
LOOKS = ("light", "dark", "auto")
A_YEAR = 31_536_000


@people.get("/sign-in")
@public
def sign_in() -> str | Response:
    """The page to sign in on; who has signed in already goes on."""
    onward = safe_next(request.args.get("next"), "/")
    with_password = request.args.get("with") == "password"
    if current_visitor() is not None and not (with_password and is_by_pin()):
        return redirect(onward)
    tablet = tablet_here()
    if tablet is not None and not with_password:
        return redirect(url_for("pins.choose", next=onward))
    return _sign_in_page(Form(), onward)


def _sign_in_page(form: Form, onward: str) -> str:
    with reading(house().engine) as session:
        nobody = queries.is_empty(session)
    return render_template(
        "people/sign_in.html",
        form=form,
        onward=onward,
        nobody=nobody,
        shared=tablet_here(),
        ended_by_provider=request.args.get("ended") == "provider",
    )


@people.post("/sign-in")
@public
def sign_in_now() -> tuple[str, int] | Response:
    """Check name and secret; one sentence for all that can be wrong."""
    onward = safe_next(request.form.get("next"), "/")
    form = posted(["name"])
    secret = request.form.get("secret", "")
    # Checked outside the transaction that writes: hashing is slow on purpose.
    with reading(house().engine) as session:
        account, kept = queries.secret_of(session, form.value("name"))
    try:
        counted = look_at_attempt(form.value("name"), account.id if account else None)
    except TooManyAttempts as problem:
        page = make_response(_sign_in_page(form.with_problem(problem), onward), problem.status)
        page.headers["Retry-After"] = str(problem.seconds)
        return page
    if not verify_secret(secret[:1000], kept) or account is None or not account.active:
        wrong = TracelogError(_("Name and password or PIN do not belong together."))
        return _sign_in_page(form.with_problem(wrong), onward), 422
    given_until = account.secret_once_until
    if given_until is not None and given_until < now():
        over = TracelogError(
            _("The password or PIN that you were given has run out. Ask for a new one.")
        )
        return _sign_in_page(form.with_problem(over), onward), 422
    new_hash = hash_secret(secret) if kept and is_outdated(kept) else None
    actor = Actor(account.name, account.role, "page", account.id)
    actions.note_sign_in(current_session(), account, actor, now(), new_hash)
    device = let_in(account.id, counted)
    tablet = tablet_here()
    if tablet is not None:
        note_tablet_sign_in(current_session(), tablet.id, account.id, actor, now())
    begin_session(account, tablet, first=given_until is not None)
    response = redirect(onward, 303)
    remember_tablet(response)
    remember_device(response, device)
    return response


@people.post("/sign-out")
@public
def sign_out() -> Response:
    """End the session of this browser."""
    by_provider = is_by_provider()
    end_session()
    return redirect(url_for("people.sign_in", ended="provider" if by_provider else None), 303)


@people.post("/look")
@public
def choose_look() -> Response:
    """Light, dark, or as the device has it; kept in this browser."""
    look = request.form.get("look", "auto")
    response = redirect(safe_next(request.form.get("next"), "/"), 303)
    if look in LOOKS:
        keep_cookie(response, LOOK_COOKIE, look, A_YEAR)
    return response


@people.get("/me")
@permit("change own pin")
def own_page() -> str:
    """One's own page: who one is here, what one may do, another secret."""
    return own_secret_page(Form())


def own_secret_page(form: Form) -> str:
    """The page on which one changes one's password; that alone, while it is the one given."""
    if must_choose_secret():
        return render_template("people/first_secret.html", account=own_account(), form=form)
    return show_own_page(own_account(), form, Form())


def show_own_page(account: queries.AccountView, form: Form, pin_form: Form) -> str:
    """One's own page with its two forms: for the password, and for the PIN."""
    allowed = [one for one in sorted(PERMISSIONS[account.role]) if may(one)]
    has_pin = kept_pin(current_session(), account.id)[0] is not None
    return render_template(
        "people/own.html",
        account=account,
        form=form,
        pin_form=pin_form,
        has_pin=has_pin,
        links=identities_of(current_session(), account.id),
        by_pin=is_by_pin(),
        allowed=allowed,
    )


def own_account() -> queries.AccountView:
    """The account of who has signed in.

    Raises:
        NotFound: a program asks.
    """
    account = signed_in_account()
    if account is None:
        raise NotFound(_("a token has no page of its own"))
    return account


@people.post("/me/secret")
@permit("change own secret")
def change_own_secret() -> tuple[str, int] | Response:
    """Another password or PIN, proved by the present one; other sessions end."""
    account = own_account()
    form = Form()
    try:
        wrong = _("is not your present password or PIN")
        prove_password(account, request.form.get("present", ""), wrong)
        if request.form.get("secret") != request.form.get("again"):
            raise TracelogError(_("is not the same as the new one above"), "again")
        epoch = actions.change_secret(
            current_session(), account.id, request.form.get("secret", ""), current_actor(), now()
        )
    except TracelogError as problem:
        return own_secret_page(form.with_problem(problem)), problem.status
    go_on_with(epoch)
    own_secret_is_set()
    flash(_("Your new password or PIN counts from now on. Other sessions of yours have ended."))
    return redirect(url_for("people.own_page"), 303)


@people.get("/accounts")
@permit("manage accounts")
def accounts() -> str:
    """All accounts, with a form for a new one."""
    return _accounts_page(Form({"role": "operator"}))


def _accounts_page(form: Form) -> str:
    found = queries.accounts(current_session())
    return render_template("people/accounts.html", accounts=found, roles=ROLES, form=form)


@people.post("/accounts")
@permit("manage accounts")
def add_account() -> tuple[str, int] | Response:
    """Make an account."""
    form = posted(["name", "display_name", "role"])
    try:
        actions.create_account(
            current_session(),
            form.value("name"),
            form.value("display_name"),
            form.value("role"),
            request.form.get("secret", ""),
            current_actor(),
            now(),
            once=True,
        )
    except TracelogError as problem:
        return _accounts_page(form.with_problem(problem)), problem.status
    flash(_("The account %(name)s is made.", name=queries.canonical_name(form.value("name"))))
    return redirect(url_for("people.accounts"), 303)


@people.get("/accounts/<uuid:account_id>")
@permit("manage accounts")
def account(account_id: uuid.UUID) -> str:
    """One account: role, secret, whether it may sign in, its tokens."""
    return _account_page(account_id)


def _account_page(account_id: uuid.UUID, token_secret: str = "", **forms: Form) -> str:
    session = current_session()
    found = queries.account(session, account_id)
    if found is None:
        raise NotFound(_("there is no such account"))
    blank: dict[str, Any] = {
        "role_form": Form({"role": found.role}),
        "secret_form": Form(),
        "token_form": Form({"role": found.role}),
        "state_form": Form(),
    }
    return render_template(
        "people/account.html",
        account=found,
        roles=ROLES,
        tokens=queries.tokens_of(session, account_id),
        sessions=sessions_of(session, account_id, now()),
        here=own_session_id(),
        scopes=SCOPES,
        ticked=request.form.getlist("scopes"),
        token_secret=token_secret,
        now=now(),
        **(blank | forms),
    )


@people.post("/accounts/<uuid:account_id>/role")
@permit("manage accounts")
def change_role(account_id: uuid.UUID) -> tuple[str, int] | Response:
    """Give an account another role."""
    form = posted(["role"])
    secret = request.form.get("secret") or None
    try:
        actions.change_role(
            current_session(),
            account_id,
            form.value("role"),
            current_actor(),
            now(),
            secret,
            once=True,
        )
    except NotFound:
        raise
    except TracelogError as problem:
        page = _account_page(account_id, role_form=form.with_problem(problem))
        return page, problem.status
    return _back_to(account_id, _("The role is changed."))


@people.post("/accounts/<uuid:account_id>/secret")
@permit("manage accounts")
def reset_secret(account_id: uuid.UUID) -> tuple[str, int] | Response:
    """Give an account another password or PIN; whoever's it is chooses their own with it."""
    is_own = account_id == current_actor().account_id
    try:
        epoch = actions.change_secret(
            current_session(),
            account_id,
            request.form.get("secret", ""),
            current_actor(),
            now(),
            once=not is_own,
        )
    except NotFound:
        raise
    except TracelogError as problem:
        return _account_page(account_id, secret_form=Form().with_problem(problem)), problem.status
    if is_own:
        go_on_with(epoch)
    return _back_to(account_id, _("The new password or PIN counts from now on."))


@people.post("/accounts/<uuid:account_id>/active")
@permit("manage accounts")
def set_active(account_id: uuid.UUID) -> tuple[str, int] | Response:
    """Let an account sign in, or not."""
    active = request.form.get("active") == "yes"
    try:
        actions.set_active(current_session(), account_id, active, current_actor(), now())
    except NotFound:
        raise
    except TracelogError as problem:
        return _account_page(account_id, state_form=Form().with_problem(problem)), problem.status
    done = _("The account may sign in again.") if active else _("The account is disabled.")
    return _back_to(account_id, done)


@people.post("/accounts/<uuid:account_id>/tokens")
@permit("manage accounts")
def add_token(account_id: uuid.UUID) -> str | tuple[str, int]:
    """Make a token and show it, this once."""
    form = posted(["name", "role", "expires_on"])
    found = queries.account(current_session(), account_id)
    if found is None:
        raise NotFound(_("there is no such account"))
    try:
        secret = actions.create_token(
            current_session(),
            found,
            form.value("name"),
            form.value("role"),
            current_actor(),
            now(),
            end_of(form.value("expires_on")),
            request.form.getlist("scopes"),
        )
    except TracelogError as problem:
        return _account_page(account_id, token_form=form.with_problem(problem)), problem.status
    return _account_page(account_id, token_secret=secret)


@people.post("/tokens/<uuid:token_id>/revoke")
@permit("manage accounts")
def revoke_token(token_id: uuid.UUID) -> Response:
    """End a token."""
    actions.revoke_token(current_session(), token_id, current_actor(), now())
    flash(_("The token is revoked."))
    return redirect(safe_next(request.form.get("next"), url_for("people.accounts")), 303)


def _back_to(account_id: uuid.UUID, done: str) -> Response:
    flash(done)
    return redirect(url_for("people.account", account_id=account_id), 303)
