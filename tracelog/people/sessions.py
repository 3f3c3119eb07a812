"""Who asks: sessions of people (cookie) and tokens of programs (Authorization header)."""

import logging
import uuid
from datetime import datetime, timedelta

from flask import Flask, g, request, session
from flask_login import LoginManager, UserMixin, current_user, login_user, logout_user
from sqlalchemy.exc import SQLAlchemyError

from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.language import _
from tracelog.people import actions, queries, tablet_queries
from tracelog.people.permissions import covers
from tracelog.people.secrets import token_hash
from tracelog.people.tablet_queries import TabletView
from tracelog.web.request import (
    NotSignedIn,
    Visitor,
    current_session,
    house,
    is_api,
    is_by_itself,
    now,
)

IDLE = timedelta(hours=12)
LONGEST = timedelta(hours=24)
# The cookie is written anew at most this often while somebody works.
NOTE_EVERY = timedelta(minutes=5)
# At a shared tablet, where minutes count, it is written so many times within its idle time.
NOTES_PER_IDLE = 12
log = logging.getLogger(__name__)


class SignedIn(UserMixin):  # type: ignore[misc]
    """An account as Flask-Login wants it."""

    def __init__(self, account: queries.AccountView) -> None:
        self.account = account
        self.id = str(account.id)


def keep_sessions(app: Flask) -> None:
    """Let an application remember who signed in."""
    manager = LoginManager()
    # A tablet that moves from one access point to the next keeps its session.
    manager.session_protection = None
    manager.init_app(app, add_context_processor=False)
    manager.user_loader(_load)
    app.config.update(PERMANENT_SESSION_LIFETIME=LONGEST)


def begin_session(
    account: queries.AccountView,
    tablet: TabletView | None = None,
    *,
    by_pin: bool = False,
    once: bool = False,
) -> None:
    """Sign somebody in: whatever the browser held before is thrown away first.

    Args:
        account: whom.
        tablet: the shared tablet that they sit at; the session ends with its idle time.
        by_pin: they typed a PIN, which opens less than a password.
        once: with one that was given to them; they must choose their own before anything else.
    """
    session.clear()
    session.permanent = True
    login_user(SignedIn(account))
    session["epoch"] = account.session_epoch
    session["began"] = session["seen"] = int(now().timestamp())
    if tablet is not None:
        session["tablet"] = str(tablet.id)
        session["by_pin"], session["once"] = by_pin, once


def end_session() -> None:
    """Sign out."""
    logout_user()
    session.clear()


def go_on_with(epoch: int) -> None:
    """Keep this one session after its account's sessions were ended."""
    session["epoch"] = epoch


def own_pin_is_set() -> None:
    """Let a session that was opened with a PIN given out go on as any other."""
    session["once"] = False


def must_choose_pin() -> bool:
    """Whether who is signed in has to choose an own PIN before anything else."""
    return bool(session.get("once"))


def is_by_pin() -> bool:
    """Whether the session was opened with a PIN."""
    return bool(session.get("by_pin"))


def tablet_of_session() -> TabletView | None:
    """The shared tablet that who is signed in sits at, None elsewhere."""
    if signed_in_account() is None:
        return None
    found: TabletView | None = g.get("tracelog_tablet")
    return found


def _load(account_id: str) -> SignedIn | None:
    """The account of the session, None once it is over for whatever reason."""
    moment = now()
    try:
        began, seen = (_instant(session[key], moment) for key in ("began", "seen"))
        account = queries.account(current_session(), uuid.UUID(account_id))
    except (KeyError, ValueError, TypeError):
        return None
    idle, note_every = IDLE, NOTE_EVERY
    if "tablet" in session:
        tablet = _tablet()
        if tablet is None:
            return None
        idle, note_every = tablet.idle, tablet.idle / NOTES_PER_IDLE
    if moment - seen > idle or moment - began > LONGEST:
        return None
    if account is None or not account.active or account.session_epoch != session.get("epoch"):
        return None
    if moment - seen > note_every and not is_by_itself():
        session["seen"] = int(moment.timestamp())
    return SignedIn(account)


def _tablet() -> TabletView | None:
    """The tablet of the session; None: it was revoked, and the session ends with it."""
    try:
        tablet_id = uuid.UUID(session["tablet"])
    except (ValueError, TypeError, AttributeError):
        return None
    g.tracelog_tablet = tablet_queries.tablet(current_session(), tablet_id)
    found: TabletView | None = g.tracelog_tablet
    return found


def _instant(seconds: int, present: datetime) -> datetime:
    return datetime.fromtimestamp(seconds, present.tzinfo)


def signed_in_account() -> queries.AccountView | None:
    """The account of the session, whoever's it is; None for programs and strangers."""
    if not current_user.is_authenticated:
        return None
    account: queries.AccountView = current_user.account
    return account


def identify() -> Visitor | None:
    """Who asks: the token if the API is called with one, else the session."""
    scheme, _space, secret = request.headers.get("Authorization", "").partition(" ")
    if is_api() and scheme.lower() == "bearer":
        return _by_token(secret.strip())
    account = signed_in_account()
    if account is None:
        return None
    door = "api" if is_api() else "page"
    actor = Actor(account.name, account.role, door, account.id, by_pin=is_by_pin())
    return Visitor(actor, account.display_name, by_token=False, language=account.language)


def _by_token(secret: str) -> Visitor:
    holder = queries.token_holder(current_session(), token_hash(secret))
    if (
        holder is None
        or not holder.token.is_good_at(now())
        or not holder.account.active
        or not covers(holder.account.role, holder.token.role)
    ):
        raise NotSignedIn(_("the token is not known, has expired or was revoked"))
    name = f"{holder.account.name}/{holder.token.name}"
    actor = Actor(name, holder.token.role, "api", holder.account.id)
    last = holder.token.last_used_at
    if last is None or now() - last >= actions.NOTE_USE_EVERY:
        _note_use(holder.token.id, actor)
    return Visitor(actor, holder.account.display_name, by_token=True)


def _note_use(token_id: uuid.UUID, actor: Actor) -> None:
    if request.method not in {"GET", "HEAD", "OPTIONS"}:
        actions.note_token_use(current_session(), token_id, actor, now())
        return
    try:
        with writing(house().engine) as own:
            actions.note_token_use(own, token_id, actor, now())
    except SQLAlchemyError:
        # Reading goes on when the database is too busy for a remark.
        log.warning("the use of token %s could not be noted", actor.name)


__all__ = [
    "begin_session",
    "end_session",
    "go_on_with",
    "identify",
    "is_by_pin",
    "keep_sessions",
    "must_choose_pin",
    "own_pin_is_set",
    "signed_in_account",
    "tablet_of_session",
]
