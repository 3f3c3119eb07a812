"""Who tries to sign in: which browser and address, and for how long they are held up."""

import uuid
from collections.abc import Mapping
from datetime import timedelta
from math import ceil

from flask import request
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from tracelog.db import reading
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.people.attempt_actions import count_attempt, forgive_attempt, know_device
from tracelog.people.attempt_rules import ADDRESS_KNOWN_FOR, DEVICE_KNOWN_FOR, place_of
from tracelog.people.queries import AccountView, canonical_name, secret_of
from tracelog.people.secrets import new_token_secret, token_hash, verify_secret
from tracelog.people.session_queries import known_devices
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import current_session, finish, house, now
from tracelog.web.security import address_of, keep_cookie, read_cookie

DEVICE_COOKIE = "tracelog_device"
DEVICE_PREFIX = "tld_"


class TooManyAttempts(TracelogError):
    """Somebody has to wait before they may try again."""

    status = 429

    def __init__(self, wait: timedelta) -> None:
        self.seconds = ceil(wait.total_seconds())
        super().__init__(_("Too many attempts. Try again in %(s)d seconds.", s=self.seconds))


def look_at_attempt(name: str, account_id: uuid.UUID | None) -> Mapping[str, str]:
    """Count this attempt to sign in; it is kept whatever becomes of the request.

    Args:
        name: as typed.
        account_id: whose name it is, None if nobody's.

    Returns:
        What was counted, to be taken back by `let_in`.

    Raises:
        TooManyAttempts: they have to wait first.
    """
    with reading(house().engine) as session:
        counted = _counted(session, canonical_name(name)[:80], account_id)
    _count(counted)
    return counted


def _count(counted: Mapping[str, str]) -> None:
    wait = count_attempt(current_session(), counted, now())
    finish(200)
    if wait:
        tell_refusal(Refusal.ATTEMPTS)
        raise TooManyAttempts(wait)


def _counted(session: Session, name: str, account_id: uuid.UUID | None) -> dict[str, str]:
    place, device = place_of(address_of(request)), _device_hash()
    moment = now()
    known = [] if account_id is None else known_devices(session, account_id)
    if any(one.hash == device and moment - one.last_at < DEVICE_KNOWN_FOR for one in known):
        return {"device": f"{device} {account_id}"}
    counted = {"name from address": f"{place} {name}", "address": place}
    if not any(one.address == place and moment - one.last_at < ADDRESS_KNOWN_FOR for one in known):
        counted["name"] = name
    return counted


def let_in(account_id: uuid.UUID, counted: Mapping[str, str]) -> str:
    """Take a right attempt back and know the browser from now on.

    Returns:
        The secret that the browser keeps, for `remember_device`.
    """
    secret = read_cookie(DEVICE_COOKIE)
    if not secret.startswith(DEVICE_PREFIX) or len(secret) > 100:
        secret = new_token_secret(DEVICE_PREFIX)
    session = current_session()
    forgive_attempt(session, counted)
    place = place_of(address_of(request))
    know_device(session, account_id, token_hash(secret), place, now())
    return secret


def remember_device(response: Response, secret: str) -> None:
    """Let the browser keep the secret by which it is known."""
    keep_cookie(response, DEVICE_COOKIE, secret, int(DEVICE_KNOWN_FOR.total_seconds()))


def prove_password(account: AccountView, typed: str, sentence: str) -> None:
    """Have somebody prove again, within their session, that it is they.

    Args:
        account: whose session it is.
        typed: their present password.
        sentence: what to say where it is wrong.

    Raises:
        TracelogError: it is wrong; at the field ``present``.
        TooManyAttempts: it was wrong too often.
    """
    counted = {"proof": str(account.id)}
    _count(counted)
    with reading(house().engine) as session:
        _account, kept = secret_of(session, account.name)
    if not verify_secret(typed[:1000], kept):
        raise TracelogError(sentence, "present")
    forgive_attempt(current_session(), counted)


def _device_hash() -> str | None:
    secret = read_cookie(DEVICE_COOKIE)
    return token_hash(secret[:200]) if secret else None
