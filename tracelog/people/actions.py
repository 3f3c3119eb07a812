"""Writes of accounts and tokens: each one transaction of the caller and one audit record."""

import uuid
from collections.abc import Iterable
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.db import new_id
from tracelog.errors import Conflict, NotAllowed, NotFound, TracelogError
from tracelog.facts import plain_text
from tracelog.language import _
from tracelog.people.models import Account, Token
from tracelog.people.password_rules import FIRST_FOR
from tracelog.people.permissions import PERMISSIONS, ROLES, covers
from tracelog.people.queries import (
    AccountView,
    active_administrators,
    canonical_name,
    secret_of,
    tokens_of,
    words_to_avoid,
)
from tracelog.people.scopes import chosen_permissions, end_of_life, written_scopes
from tracelog.people.secrets import (
    PIN_ROLE,
    check_secret,
    hash_secret,
    new_token_secret,
    token_hash,
    verify_secret,
)

# A token's last use is noted at most this often, so that reading stays reading.
NOTE_USE_EVERY = timedelta(days=1)
NOTE_PLACE_EVERY = timedelta(minutes=10)


def create_account(
    session: Session,
    name: str,
    display_name: str,
    role: str,
    secret: str | None,
    actor: Actor,
    now: datetime,
    *,
    once: bool = False,
) -> uuid.UUID:
    """Make an account.

    Args:
        session: an open session that writes.
        name: to sign in with; small and capital letters are the same.
        display_name: as others see it; blank: the name.
        role: one of the five roles.
        secret: a password, or for an operator a PIN of six digits; None: an identity provider
            vouches for them, and no password opens anything.
        actor: who makes it.
        now: when, UTC.
        once: somebody else chose the secret: it is good for a while, and only to choose another.

    Returns:
        The account's id.

    Raises:
        TracelogError: name, role or secret is not right; at its field.
        Conflict: the name is taken.
    """
    kept_name = _checked_name(name)
    _check_role(role)
    if secret is not None:
        check_secret(secret, role, kept_name, words_to_avoid(session, display_name))
    if secret_of(session, kept_name)[0] is not None:
        raise Conflict(_("'%(name)s' is taken; choose another name", name=kept_name), "name")
    account = Account(
        id=new_id(),
        name=kept_name,
        display_name=_checked_text(display_name, "display_name") or kept_name,
        role=role,
        secret_hash=hash_secret(new_token_secret() if secret is None else secret),
        secret_once_until=now + FIRST_FOR if once else None,
        active=True,
        session_epoch=0,
        created_at=now,
    )
    session.add(account)
    session.flush()
    after: dict[str, object] = {"name": kept_name, "display_name": account.display_name}
    after["role"] = role
    if account.secret_once_until is not None:
        after["good_until"] = account.secret_once_until
    audit.append(session, actor, now, "create account", _subject(kept_name), None, after)
    return account.id


def change_secret(
    session: Session,
    account_id: uuid.UUID,
    secret: str,
    actor: Actor,
    now: datetime,
    *,
    once: bool = False,
) -> int:
    """Give an account another password or PIN and end all its sessions.

    Args:
        session: an open session that writes.
        account_id: whose.
        secret: the new one.
        actor: who decides.
        now: when, UTC.
        once: somebody else chose it: it is good for a while, and only to choose another.

    Returns:
        The account's new session epoch, for the one session that may go on.

    Raises:
        TracelogError: the secret is not right; at the field ``secret``.
        NotFound: there is no such account.
    """
    account = _account(session, account_id)
    words = words_to_avoid(session, account.display_name)
    check_secret(secret, account.role, account.name, words)
    is_given = account.secret_once_until is not None and not once
    if is_given and verify_secret(secret, account.secret_hash):
        raise TracelogError(_("is the one that was given to you; choose your own"), "secret")
    account.secret_hash = hash_secret(secret)
    account.secret_once_until = now + FIRST_FOR if once else None
    account.session_epoch += 1
    after = {"good_until": account.secret_once_until} if once else None
    audit.append(session, actor, now, "change secret", _subject(account.name), None, after)
    return account.session_epoch


def change_role(
    session: Session,
    account_id: uuid.UUID,
    role: str,
    actor: Actor,
    now: datetime,
    secret: str | None = None,
    *,
    once: bool = False,
) -> None:
    """Give an account another role, end its sessions, and revoke tokens that now go too far.

    Args:
        session: an open session that writes.
        account_id: whose role.
        role: the new one; the same one changes nothing.
        actor: who decides.
        now: when, UTC.
        secret: a new password; needed when an operator, who may have a PIN, gets another role.
        once: somebody else chose it: it is good for a while, and only to choose another.

    Raises:
        TracelogError: the role or secret is not right, or nobody would administer.
        NotFound: there is no such account.
    """
    _check_role(role)
    account = _account(session, account_id)
    before = account.role
    if role == before:
        return
    if before == "administrator":
        _keep_an_administrator(session, account)
    if before == PIN_ROLE:
        if not secret:
            raise TracelogError(
                _("is missing; whoever is no longer an operator needs a password, not a PIN"),
                "secret",
            )
        words = words_to_avoid(session, account.display_name)
        check_secret(secret, role, account.name, words)
        account.secret_hash = hash_secret(secret)
        account.secret_once_until = now + FIRST_FOR if once else None
    account.role = role
    account.session_epoch += 1
    revoked = [
        token.name
        for token in tokens_of(session, account_id)
        if token.revoked_at is None and not covers(role, token.role)
    ]
    for token in _open_tokens(session, account_id):
        if token.name in revoked:
            token.revoked_at = now
    after: dict[str, object] = {"role": role}
    if revoked:
        after["revoked_tokens"] = sorted(revoked)
    audit.append(
        session, actor, now, "change role", _subject(account.name), {"role": before}, after
    )
    session.flush()


def set_active(
    session: Session, account_id: uuid.UUID, active: bool, actor: Actor, now: datetime
) -> None:
    """Let an account sign in, or not; taking it away ends its sessions and stops its tokens.

    Raises:
        TracelogError: nobody would administer any more.
        NotFound: there is no such account.
    """
    account = _account(session, account_id)
    if account.active == active:
        return
    if not active:
        _keep_an_administrator(session, account)
    account.active = active
    account.session_epoch += 1
    action = "enable account" if active else "disable account"
    audit.append(
        session,
        actor,
        now,
        action,
        _subject(account.name),
        {"active": not active},
        {"active": active},
    )
    session.flush()


def note_sign_in(
    session: Session, account: AccountView, actor: Actor, now: datetime, new_hash: str | None = None
) -> None:
    """Note that somebody signed in; `new_hash` replaces a hash made with older parameters."""
    row = _account(session, account.id)
    row.last_signed_in_at = now
    if new_hash is not None:
        row.secret_hash = new_hash
    audit.append(session, actor, now, "sign in", _subject(account.name))


def create_token(
    session: Session,
    account: AccountView,
    name: str,
    role: str,
    actor: Actor,
    now: datetime,
    expires_at: datetime | None = None,
    scopes: Iterable[str] = (),
) -> str:
    """Make a token with which a program acts for an account.

    Args:
        session: an open session that writes.
        account: whom it acts for.
        name: what it is for, such as ``line 3 gateway``; unique among the account's good tokens.
        role: what it may do, at most what the account may.
        actor: who makes it.
        now: when, UTC.
        expires_at: when it ends, UTC, within two years; None: in a year.
        scopes: what of the role it may do: names of `SCOPES` or permissions; none: all of it.

    Returns:
        The token itself: shown now, never again; only its SHA-256 is kept.

    Raises:
        TracelogError: name, role, scopes or end is not right; at its field.
        NotAllowed: a program's token, itself narrowed, would make one that may do more.
        Conflict: the account has a good token of that name.
    """
    kept_name = _checked_text(name, "name")
    if not kept_name:
        raise TracelogError(_("is missing; say what the token is for"), "name")
    _check_role(role)
    if not covers(account.role, role):
        raise TracelogError(
            _(
                "goes beyond the account's own role, %(role)s; choose that or a lesser one",
                role=account.role,
            ),
            "role",
        )
    chosen = chosen_permissions(scopes, role)
    if actor.scopes is not None and not (chosen or PERMISSIONS[role]) <= actor.scopes:
        raise NotAllowed(_("a token makes no other that may do more than itself"))
    ends_at = end_of_life(expires_at, now)
    if any(token.name == kept_name for token in _open_tokens(session, account.id)):
        raise Conflict(
            _("'%(name)s' is in use; revoke that token or choose another name", name=kept_name),
            "name",
        )
    secret = new_token_secret()
    session.add(
        Token(
            id=new_id(),
            name=kept_name,
            account_id=account.id,
            role=role,
            token_hash=token_hash(secret),
            created_at=now,
            expires_at=ends_at,
            scopes=written_scopes(chosen),
        )
    )
    session.flush()
    after: dict[str, object] = {"account": account.name, "role": role, "expires_at": ends_at}
    if chosen is not None:
        after["scopes"] = written_scopes(chosen)
    audit.append(session, actor, now, "create token", Subject("token", kept_name), None, after)
    return secret


def revoke_token(session: Session, token_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """End a token; ending it twice changes nothing.

    Raises:
        NotFound: there is no such token.
    """
    token = session.get(Token, token_id)
    if token is None:
        raise NotFound(_("there is no such token"))
    if token.revoked_at is not None:
        return
    token.revoked_at = now
    audit.append(session, actor, now, "revoke token", Subject("token", token.name))
    session.flush()


def note_token_use(
    session: Session, token_id: uuid.UUID, address: str, actor: Actor, now: datetime
) -> None:
    """Note that a token was used and from where: see `is_use_news`.

    Raises:
        NotFound: there is no such token.
    """
    token = session.get(Token, token_id)
    if token is None:
        raise NotFound(_("there is no such token"))
    if not is_use_news(token.last_used_at, token.last_used_from, address, now):
        return
    token.last_used_at, token.last_used_from = now, address
    after = {"address": address}
    audit.append(session, actor, now, "use token", Subject("token", token.name), None, after)
    session.flush()


def is_use_news(
    last_at: datetime | None, last_from: str | None, address: str, now: datetime
) -> bool:
    """Whether a token's use is noted: once a day, or after a while from another address."""
    if last_at is None or now - last_at >= NOTE_USE_EVERY:
        return True
    return address != last_from and now - last_at >= NOTE_PLACE_EVERY


def _subject(name: str) -> Subject:
    return Subject("account", name)


def _account(session: Session, account_id: uuid.UUID) -> Account:
    account = session.get(Account, account_id)
    if account is None:
        raise NotFound(_("there is no such account"))
    return account


def _open_tokens(session: Session, account_id: uuid.UUID) -> list[Token]:
    from sqlalchemy import select

    return list(
        session.execute(
            select(Token).where(Token.account_id == account_id, Token.revoked_at.is_(None))
        ).scalars()
    )


def _keep_an_administrator(session: Session, account: Account) -> None:
    if account.role == "administrator" and account.active and active_administrators(session) == 1:
        raise TracelogError(
            _("this is the last active administrator; make somebody else administrator first"),
            "role",
        )


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise TracelogError(
            _(
                "'%(role)s' is not a role; roles are %(known)s",
                role=role[:40],
                known=", ".join(ROLES),
            ),
            "role",
        )


def _checked_text(text: str, field: str) -> str:
    try:
        return plain_text(text, 80)
    except ValueError as problem:
        raise TracelogError(str(problem), field) from None


def _checked_name(name: str) -> str:
    kept = canonical_name(_checked_text(name, "name"))
    if not kept:
        raise TracelogError(_("is missing; a name to sign in with is needed"), "name")
    if any(sign.isspace() or sign in "/|" for sign in kept):
        raise TracelogError(
            _("'%(name)s' has a space or a bar in it; write it such as anna or anna.k", name=kept),
            "name",
        )
    return kept
