"""Writes of links between accounts and an identity provider: one audit record each."""

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.errors import Conflict, NotAllowed, NotFound
from tracelog.language import _
from tracelog.people.actions import create_account
from tracelog.people.models import Account, Identity


def link(
    session: Session, account_id: uuid.UUID, issuer: str, subject: str, actor: Actor, now: datetime
) -> None:
    """Link an account to a subject of an issuer; the same link again changes nothing.

    Raises:
        Conflict: the subject is another account's.
        NotFound: there is no such account.
    """
    audit.take_turn(session)
    account = session.get(Account, account_id)
    if account is None:
        raise NotFound(_("there is no such account"))
    known = session.get(Identity, (issuer, subject))
    if known is not None:
        if known.account_id != account_id:
            raise Conflict(_("the provider's account is linked to somebody else here"))
        return
    session.add(
        Identity(
            issuer=issuer,
            subject=subject,
            account_id=account_id,
            linked_at=now,
            linked_by=actor.name,
        )
    )
    after = {"issuer": issuer, "subject": subject}
    about = Subject("account", account.name)
    audit.append(session, actor, now, "link account", about, None, after)
    session.flush()


def unlink(session: Session, account_id: uuid.UUID, actor: Actor, now: datetime) -> int:
    """Take all links of an account away; returns how many there were.

    Raises:
        NotFound: there is no such account.
    """
    account = session.get(Account, account_id)
    if account is None:
        raise NotFound(_("there is no such account"))
    links = session.scalars(select(Identity).where(Identity.account_id == account_id)).all()
    if not links:
        return 0
    before = {"links": [[one.issuer, one.subject] for one in links]}
    session.execute(delete(Identity).where(Identity.account_id == account_id))
    about = Subject("account", account.name)
    audit.append(session, actor, now, "unlink account", about, before, None)
    session.flush()
    return len(links)


def make_person(
    session: Session,
    issuer: str,
    subject: str,
    role: str | None,
    claims: Mapping[str, Any],
    now: datetime,
) -> uuid.UUID:
    """Make an account for somebody whom the provider vouches for and nobody knows yet.

    They have no password; an administrator can give them one.

    Args:
        session: an open session that writes.
        issuer: the provider.
        subject: whom it vouches for.
        role: that its settings give them; None: they are refused.
        claims: what else it says of them.
        now: when, UTC.

    Raises:
        NotAllowed: they have no role here, or no name.
        Conflict: somebody else has that name; it is never taken for the same person.
    """
    name = claims.get("preferred_username")
    if role is None:
        raise NotAllowed(_("you have no account here; ask an administrator"))
    if not isinstance(name, str) or not name.strip():
        raise NotAllowed(_("the provider tells no name of yours; ask an administrator"))
    shown = claims.get("name")
    actor = Actor("identity provider", role, "page")
    account_id = create_account(
        session,
        name[:80].strip().replace(" ", "."),
        shown[:80] if isinstance(shown, str) else "",
        role,
        None,
        actor,
        now,
    )
    link(session, account_id, issuer, subject, actor, now)
    return account_id
