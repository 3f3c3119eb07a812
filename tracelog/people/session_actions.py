"""Writes of sessions: each within one transaction of the caller."""

import uuid
from datetime import datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.db import new_id
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.people.models import Account, OpenSession
from tracelog.people.queries import AccountView
from tracelog.people.secrets import new_token_secret, token_hash
from tracelog.people.session_rules import KEPT_FOR

SESSION_PREFIX = "tlw_"


def open_session(
    session: Session,
    account: AccountView,
    way: str,
    tablet_id: uuid.UUID | None,
    address: str,
    browser: str,
    now: datetime,
) -> str:
    """Begin a session; the audit record of signing in is its record too.

    What is kept of sessions that were over a month ago goes, whoever's they were.

    Args:
        session: an open session that writes.
        account: whose, as of this transaction.
        way: ``password``, ``pin`` or ``provider``.
        tablet_id: the shared tablet at which they sit; None: elsewhere.
        address: the network address that they come from.
        browser: how the browser names itself.
        now: when, UTC.

    Returns:
        The key that the cookie holds: given now, never again; only its SHA-256 is kept.
    """
    session.execute(delete(OpenSession).where(OpenSession.seen_at < now - KEPT_FOR))
    key = new_token_secret(SESSION_PREFIX)
    session.add(
        OpenSession(
            id=new_id(),
            account_id=account.id,
            key_hash=token_hash(key),
            epoch=account.session_epoch,
            way=way,
            tablet_id=tablet_id,
            address=address[:60],
            browser=browser[:200],
            began_at=now,
            seen_at=now,
        )
    )
    session.flush()
    return key


def note_seen(session: Session, session_id: uuid.UUID, now: datetime) -> None:
    """Note that somebody goes on with a session; like counting, this leaves no audit record."""
    session.execute(
        update(OpenSession)
        .where(OpenSession.id == session_id, OpenSession.seen_at < now)
        .values(seen_at=now)
    )


def renew_session(session: Session, key: str, epoch: int) -> None:
    """Let one session go on after its account's sessions were ended."""
    session.execute(
        update(OpenSession).where(OpenSession.key_hash == token_hash(key)).values(epoch=epoch)
    )


def close_session(session: Session, key: str, now: datetime) -> None:
    """Sign out: the session of that key opens nothing any more, whoever has a copy of the cookie.

    A key that is not known, or whose session is over, changes nothing.
    """
    row = session.execute(
        select(OpenSession, Account)
        .join(Account, Account.id == OpenSession.account_id)
        .where(OpenSession.key_hash == token_hash(key), OpenSession.ended_at.is_(None))
    ).one_or_none()
    if row is None:
        return
    opened, account = row
    opened.ended_at = now
    actor = Actor(account.name, account.role, "page", account.id, by_pin=opened.way == "pin")
    audit.append(session, actor, now, "sign out", Subject("account", account.name))
    session.flush()


def end_one(
    session: Session, account_id: uuid.UUID, session_id: uuid.UUID, actor: Actor, now: datetime
) -> None:
    """End one session of an account from elsewhere; ending it twice changes nothing.

    Raises:
        NotFound: the account has no such session.
    """
    opened = session.get(OpenSession, session_id)
    if opened is None or opened.account_id != account_id:
        raise NotFound(_("there is no such session"))
    if opened.ended_at is not None:
        return
    opened.ended_at = now
    after = {"began_at": opened.began_at, "address": opened.address}
    audit.append(session, actor, now, "end session", _subject(session, account_id), None, after)
    session.flush()


def end_all(session: Session, account_id: uuid.UUID, actor: Actor, now: datetime) -> int:
    """End all sessions of an account, at shared tablets too; tokens of programs go on.

    Returns:
        How many were still open, whether or not their time was over.

    Raises:
        NotFound: there is no such account.
    """
    account = session.get(Account, account_id)
    if account is None:
        raise NotFound(_("there is no such account"))
    still_open = session.scalars(
        select(OpenSession).where(
            OpenSession.account_id == account_id,
            OpenSession.ended_at.is_(None),
            OpenSession.epoch == account.session_epoch,
        )
    ).all()
    for one in still_open:
        one.ended_at = now
    account.session_epoch += 1
    after = {"sessions": len(still_open)}
    subject = Subject("account", account.name)
    audit.append(session, actor, now, "end all sessions", subject, None, after)
    session.flush()
    return len(still_open)


def forget_sessions(session: Session) -> None:
    """Drop all sessions, as when a backup is put back: who has signed out since stays out.

    Sessions are no facts about the plant, so that this leaves no audit record.
    """
    session.execute(delete(OpenSession))


def _subject(session: Session, account_id: uuid.UUID) -> Subject:
    account = session.get(Account, account_id)
    return Subject("account", account.name if account else str(account_id))
