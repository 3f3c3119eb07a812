"""Writes of shared tablets and PINs: each one transaction of the caller."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.db import new_id
from tracelog.errors import Conflict, NotAllowed, NotFound, TracelogError
from tracelog.language import _
from tracelog.people.labels import checked_label
from tracelog.people.models import Account, Tablet, TabletPerson
from tracelog.people.permissions import may, may_act
from tracelog.people.pin_rules import LONGEST_PIN, ONCE_FOR, check_pin, new_pin, wait_after
from tracelog.people.secrets import (
    TABLET_PREFIX,
    hash_secret,
    new_token_secret,
    token_hash,
    verify_secret,
)

SHORTEST_IDLE, LONGEST_IDLE = 1, 60


@dataclass(frozen=True)
class Attempt:
    """Whether a PIN may be looked at now, and how long until the next attempt if it is wrong."""

    is_let_in: bool
    wait: timedelta


def share_tablet(
    session: Session,
    name: str,
    line_id: uuid.UUID | None,
    idle_minutes: str,
    actor: Actor,
    now: datetime,
) -> str:
    """Make a browser a shared tablet.

    Args:
        session: an open session that writes.
        name: what is written on it, such as ``line 2, front end``; unique among those in use.
        line_id: where it stands; None: anywhere.
        idle_minutes: as typed: after so many minutes without a touch it locks.
        actor: who makes it.
        now: when, UTC.

    Returns:
        The secret that the browser keeps: given now, never again; only its SHA-256 is kept.

    Raises:
        TracelogError: name or minutes are not right; at their field.
        Conflict: a tablet in use has that name.
    """
    kept_name = checked_label(name, _("is missing; say what is written on the tablet"))
    minutes = _checked_minutes(idle_minutes)
    if any(one.name.lower() == kept_name.lower() for one in _in_use(session)):
        raise Conflict(
            _("'%(name)s' is in use; revoke that tablet or choose another name", name=kept_name),
            "name",
        )
    secret = new_token_secret(TABLET_PREFIX)
    session.add(
        Tablet(
            id=new_id(),
            name=kept_name,
            line_id=line_id,
            token_hash=token_hash(secret),
            idle_minutes=minutes,
            made_at=now,
            made_by=actor.name,
        )
    )
    session.flush()
    after = {"line_id": line_id, "idle_minutes": minutes}
    audit.append(session, actor, now, "share tablet", Subject("tablet", kept_name), None, after)
    return secret


def set_idle(
    session: Session, tablet_id: uuid.UUID, idle_minutes: str, actor: Actor, now: datetime
) -> None:
    """Let a tablet lock sooner or later than so far.

    Raises:
        TracelogError: the minutes are not right; at their field.
        NotFound: there is no such tablet in use.
    """
    row = _tablet(session, tablet_id)
    minutes = _checked_minutes(idle_minutes)
    if minutes == row.idle_minutes:
        return
    before = {"idle_minutes": row.idle_minutes}
    row.idle_minutes = minutes
    after = {"idle_minutes": minutes}
    audit.append(session, actor, now, "set idle time", Subject("tablet", row.name), before, after)
    session.flush()


def revoke_tablet(session: Session, tablet_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """End a tablet: it takes no PIN any more, and whoever is signed in there is signed out.

    Raises:
        NotFound: there is no such tablet in use.
    """
    row = _tablet(session, tablet_id)
    row.revoked_at = now
    audit.append(session, actor, now, "revoke tablet", Subject("tablet", row.name))
    session.flush()


def set_own_pin(
    session: Session, account_id: uuid.UUID, pin: str, actor: Actor, now: datetime
) -> int:
    """Give oneself a PIN for shared tablets and end one's other sessions.

    Returns:
        The account's new session epoch, for the one session that may go on.

    Raises:
        TracelogError: the PIN is too easy or opens more than a tablet; at the field ``pin``.
        NotFound: there is no such account.
    """
    check_pin(pin)
    account = _account(session, account_id)
    if verify_secret(pin, account.secret_hash):
        raise TracelogError(
            _("is also what you sign in with elsewhere; at a tablet others may watch, use another"),
            "pin",
        )
    if account.pin_once_until is not None and verify_secret(pin, account.pin_hash):
        raise TracelogError(_("is the one that was given to you; choose your own"), "pin")
    account.pin_hash = hash_secret(pin)
    account.pin_once_until = None
    account.session_epoch += 1
    audit.append(session, actor, now, "set pin", Subject("account", account.name))
    session.flush()
    return account.session_epoch


def reset_pin(session: Session, account_id: uuid.UUID, actor: Actor, now: datetime) -> str:
    """Give somebody a PIN that is good once, for one day, and end their sessions.

    Returns:
        The PIN: shown now, never again.

    Raises:
        NotAllowed: it is an administrator's, and `actor` is none.
        NotFound: there is no such account that may sign in.
    """
    account = _account(session, account_id)
    if not account.active:
        raise NotFound(_("'%(name)s' is disabled", name=account.name))
    if may(account.role, "manage accounts") and not may_act(actor, "manage accounts"):
        raise NotAllowed(_("the PIN of an administrator is reset by an administrator"))
    pin = new_pin()
    account.pin_hash = hash_secret(pin)
    account.pin_once_until = now + ONCE_FOR
    account.session_epoch += 1
    for person in session.scalars(
        select(TabletPerson).where(TabletPerson.account_id == account_id)
    ):
        _forget_attempts(person)
    after = {"good_until": account.pin_once_until}
    audit.append(session, actor, now, "reset pin", Subject("account", account.name), None, after)
    session.flush()
    return pin


def count_attempt(
    session: Session,
    tablet_id: uuid.UUID,
    account_id: uuid.UUID,
    digits: int,
    is_last: bool,
    now: datetime,
) -> Attempt:
    """Count an attempt before the PIN is looked at, so that many at once count as many.

    The tablet asks after each digit from the fourth on whether that was all of the PIN. Within one
    attempt each length is looked at once; the attempt is counted when it begins, whatever length
    the PIN has, so that neither the answer nor the count tells how long somebody's PIN is.

    Counting is no fact about the plant and leaves no audit record; signing in does.

    Args:
        session: an open session that writes and is committed at once.
        tablet_id: where.
        account_id: whose PIN.
        digits: how many were typed.
        is_last: the person says that it is all.
        now: when, UTC.

    Returns:
        Whether to look at the PIN, and the wait until another attempt may begin.

    Raises:
        NotFound: there is no such tablet in use.
    """
    _tablet(session, tablet_id)
    person = _person(session, tablet_id, account_id)
    goes_on = 0 < person.checked_digits < digits
    if not goes_on:
        if person.wait_until is not None and now < person.wait_until:
            return Attempt(is_let_in=False, wait=person.wait_until - now)
        person.attempts += 1
        wait = wait_after(person.attempts)
        person.wait_until = now + wait if wait else None
    person.checked_digits = LONGEST_PIN if is_last else digits
    session.flush()
    left = person.wait_until - now if person.wait_until else timedelta(0)
    return Attempt(is_let_in=True, wait=max(left, timedelta(0)))


def note_tablet_sign_in(
    session: Session, tablet_id: uuid.UUID, account_id: uuid.UUID, actor: Actor, now: datetime
) -> None:
    """Note that somebody signed in at a tablet, by PIN or by password.

    Raises:
        NotFound: there is no such tablet in use, or no such account.
    """
    row = _tablet(session, tablet_id)
    account = _account(session, account_id)
    person = _person(session, tablet_id, account_id)
    _forget_attempts(person)
    row.last_seen_at = person.last_signed_in_at = account.last_signed_in_at = now
    after = {"tablet": row.name, "with": "pin" if actor.by_pin else "password"}
    audit.append(
        session, actor, now, "sign in at tablet", Subject("account", account.name), None, after
    )
    session.flush()


def _forget_attempts(person: TabletPerson) -> None:
    person.attempts = person.checked_digits = 0
    person.wait_until = None


def _tablet(session: Session, tablet_id: uuid.UUID) -> Tablet:
    # Locked, so that two requests from one tablet are counted one after the other.
    row = session.get(Tablet, tablet_id, with_for_update=True)
    if row is None or row.revoked_at is not None:
        raise NotFound(_("there is no such shared tablet in use"))
    return row


def _person(session: Session, tablet_id: uuid.UUID, account_id: uuid.UUID) -> TabletPerson:
    person = session.get(TabletPerson, (tablet_id, account_id))
    if person is None:
        person = TabletPerson(
            tablet_id=tablet_id, account_id=account_id, attempts=0, checked_digits=0
        )
        session.add(person)
    return person


def _account(session: Session, account_id: uuid.UUID) -> Account:
    account = session.get(Account, account_id)
    if account is None:
        raise NotFound(_("there is no such account"))
    return account


def _in_use(session: Session) -> list[Tablet]:
    return list(session.scalars(select(Tablet).where(Tablet.revoked_at.is_(None))))


def _checked_minutes(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 2):
        raise TracelogError(_("is not a number of minutes from 1 to 60"), "idle_minutes")
    if not SHORTEST_IDLE <= int(text) <= LONGEST_IDLE:
        raise TracelogError(_("is not a number of minutes from 1 to 60"), "idle_minutes")
    return int(text)
