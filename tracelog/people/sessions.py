"""Who asks: sessions of people (cookie) and tokens of programs (Authorization header)."""

import logging
import uuid
from datetime import datetime

from flask import Flask, g, request, session
from flask_login import LoginManager, UserMixin, current_user, login_user, logout_user
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from tracelog.audit import Actor, last_position
from tracelog.db import reading_one_moment, writing
from tracelog.language import _
from tracelog.people import actions, queries, session_actions, session_queries, tablet_queries
from tracelog.people.permissions import covers
from tracelog.people.scopes import read_scopes
from tracelog.people.secrets import token_hash
from tracelog.people.session_queries import SessionHolder
from tracelog.people.session_rules import (
    IDLE,
    LONGEST,
    NOTE_EVERY,
    NOTES_PER_IDLE,
    PROVEN_FOR,
    is_over,
)
from tracelog.people.tablet_queries import TabletView
from tracelog.web.by_memory import identified_by_memory, may_remember
from tracelog.web.proofs import form_proof
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import (
    NotSignedIn,
    Visitor,
    current_session,
    house,
    is_api,
    is_by_itself,
    is_reading,
    now,
    who_session,
)
from tracelog.web.security import address_of

# How long a page waits for the place of SQLite's one writer to note that somebody is there.
NOTE_WAIT_MS = 250
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
    way: str = "password",
    once: bool = False,
    first: bool = False,
    store: Session | None = None,
) -> None:
    """Sign somebody in: whatever the browser held before is thrown away first, and ended.

    Args:
        account: whom.
        tablet: the shared tablet that they sit at; the session ends with its idle time.
        way: ``password``; ``pin``, which opens less; or ``provider``.
        once: with a PIN that was given to them; they must choose their own before anything else.
        first: with a password that was given to them; they must choose their own, likewise.
        store: a session that writes, where the request's own does not.
    """
    end_session(store)
    key = session_actions.open_session(
        store or current_session(),
        account,
        way,
        tablet.id if tablet else None,
        address_of(request),
        request.headers.get("User-Agent", ""),
        now(),
    )
    session.permanent = True
    login_user(SignedIn(account))
    session["key"] = key
    session["seen"] = int(now().timestamp())
    note_proven()
    # Now, and not on the first page: of two pages that open at once, each would make one, and the
    # forms of one of them would be refused.
    form_proof()
    if way == "provider":
        session["by_provider"] = True
    if first:
        session["first"] = True
    if tablet is not None:
        session["tablet"] = str(tablet.id)
        session["by_pin"], session["once"] = way == "pin", once


def end_session(store: Session | None = None) -> None:
    """Sign out: here, and in every copy of the cookie.

    Args:
        store: a session that writes, where the request's own does not.
    """
    key = session.get("key")
    if isinstance(key, str):
        session_actions.close_session(store or current_session(), key, now())
    logout_user()
    session.clear()


def go_on_with(epoch: int) -> None:
    """Keep this one session after its account's sessions were ended."""
    key = session.get("key")
    if isinstance(key, str):
        session_actions.renew_session(current_session(), key, epoch)


def own_session_id() -> uuid.UUID | None:
    """Which session this is, among those of who is signed in."""
    holder: SessionHolder | None = g.get("tracelog_session_holder")
    return holder.id if holder else None


def is_by_provider() -> bool:
    """Whether an identity provider vouched for who is signed in."""
    return bool(session.get("by_provider"))


def note_proven() -> None:
    """Note that who is signed in has just proved again that it is they."""
    session["proven"] = int(now().timestamp())


def is_proven() -> bool:
    """Whether who is signed in proved it, by whatever they sign in with, a few minutes ago."""
    at = session.get("proven")
    return isinstance(at, int) and 0 <= now().timestamp() - at <= PROVEN_FOR.total_seconds()


def own_pin_is_set() -> None:
    """Let a session that was opened with a PIN given out go on as any other."""
    session["once"] = False


def must_choose_pin() -> bool:
    """Whether who is signed in has to choose an own PIN before anything else."""
    return bool(session.get("once"))


def own_secret_is_set() -> None:
    """Let a session that was opened with a password given out go on as any other."""
    session.pop("first", None)


def must_choose_secret() -> bool:
    """Whether who is signed in has to choose an own password before anything else."""
    return bool(session.get("first"))


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
    key = session.get("key")
    if not isinstance(key, str):
        return None
    holder = session_queries.session_holder(who_session(), token_hash(key))
    if holder is None or str(holder.account.id) != account_id:
        return None
    idle, note_every = IDLE, NOTE_EVERY
    if holder.tablet_id is not None:
        tablet = _tablet(holder.tablet_id)
        if tablet is None:
            return None
        idle, note_every = tablet.idle, tablet.idle / NOTES_PER_IDLE
    seen = max(_in_cookie(moment), holder.seen_at)
    if is_over(holder.began_at, seen, moment, idle):
        return None
    if moment - seen > note_every and not is_by_itself():
        session["seen"] = int(moment.timestamp())
        if moment - holder.seen_at > NOTE_EVERY:
            _note_seen(holder, moment)
    g.tracelog_session_holder = holder
    return SignedIn(holder.account)


def _in_cookie(present: datetime) -> datetime:
    """When they last did something, as the cookie says: it is written more often than the row."""
    try:
        return datetime.fromtimestamp(session["seen"], present.tzinfo)
    except (KeyError, ValueError, TypeError, OverflowError, OSError):
        return datetime.min.replace(tzinfo=present.tzinfo)


def _note_seen(holder: SessionHolder, moment: datetime) -> None:
    if not is_reading():
        session_actions.note_seen(current_session(), holder.id, moment)
        return
    try:
        with writing(house().engine, wait_ms=NOTE_WAIT_MS) as own:
            session_actions.note_seen(own, holder.id, moment)
    except SQLAlchemyError:
        # The cookie knows it; the list of sessions is late by one more note.
        log.warning("the session of %s could not be noted", holder.account.name)


def _tablet(tablet_id: uuid.UUID) -> TabletView | None:
    """The tablet of the session; None: it was revoked, and the session ends with it."""
    g.tracelog_tablet = tablet_queries.tablet(who_session(), tablet_id)
    found: TabletView | None = g.tracelog_tablet
    return found


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
    hashed, here = token_hash(secret), address_of(request)[:60]
    holder = _remembered(hashed, here) if may_remember() else None
    is_news = holder is None
    if holder is None:
        holder = queries.token_holder(who_session(), hashed)
    if holder is None or not _is_good(holder):
        tell_refusal(Refusal.TOKEN)
        raise NotSignedIn(_("the token is not known, has expired or was revoked"))
    name = f"{holder.account.name}/{holder.token.name}"
    token = holder.token
    actor = Actor(name, token.role, "api", holder.account.id, scopes=read_scopes(token.scopes))
    if is_news and _is_news(holder, here):
        _note_use(token.id, here, actor)
    return Visitor(actor, holder.account.display_name, by_token=True)


def _is_good(holder: queries.TokenHolder) -> bool:
    return (
        holder.token.is_good_at(now())
        and holder.account.active
        and covers(holder.account.role, holder.token.role)
    )


def _is_news(holder: queries.TokenHolder, here: str) -> bool:
    last_at, last_from = holder.token.last_used_at, holder.token.last_used_from
    return actions.is_use_news(last_at, last_from, here, now())


def _remembered(hashed: str, here: str) -> queries.TokenHolder | None:
    """The holder of a token from memory; None: it is not good, or its use has to be noted."""
    memory = house().memory
    holder, generation = memory.recall(("token", hashed))
    if holder is None:
        with reading_one_moment(house().engine) as own:
            at, holder = last_position(own), queries.token_holder(own, hashed)
        if holder is None:
            return None
        generation = memory.keep(("token", hashed), holder, at)
    found: queries.TokenHolder = holder
    if not _is_good(found) or _is_news(found, here):
        memory.forget(("token", hashed))
        return None
    identified_by_memory(generation)
    return found


def _note_use(token_id: uuid.UUID, address: str, actor: Actor) -> None:
    if request.method not in {"GET", "HEAD", "OPTIONS"}:
        actions.note_token_use(current_session(), token_id, address, actor, now())
        return
    try:
        with writing(house().engine) as own:
            actions.note_token_use(own, token_id, address, actor, now())
    except SQLAlchemyError:
        # Reading goes on when the database is too busy for a remark.
        log.warning("the use of token %s could not be noted", actor.name)


__all__ = [
    "begin_session",
    "end_session",
    "go_on_with",
    "identify",
    "is_by_pin",
    "is_by_provider",
    "is_proven",
    "keep_sessions",
    "must_choose_pin",
    "must_choose_secret",
    "note_proven",
    "own_pin_is_set",
    "own_secret_is_set",
    "own_session_id",
    "signed_in_account",
    "tablet_of_session",
]
