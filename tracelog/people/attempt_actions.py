"""Counting attempts to sign in, for all workers and across restarts, and known browsers.

Counting is no fact about the plant and leaves no audit record; signing in does.
"""

import hashlib
import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.people.attempt_rules import (
    DEVICE_KNOWN_FOR,
    FORGOTTEN_AFTER,
    LIMITS,
    LONGEST_WAIT,
    level_at,
    wait_after,
)
from tracelog.people.models import KnownDevice, SignInCount

# What a success takes back whole; of the others only its own attempt.
_CLEARED = frozenset({"device", "name from address", "proof"})


def count_attempt(session: Session, counted: Mapping[str, str], now: datetime) -> timedelta:
    """Count an attempt before the secret is looked at, so that many at once count as many.

    Args:
        session: an open session that writes and is committed at once.
        counted: what is counted, by its kind in `LIMITS`.
        now: when, UTC.

    Returns:
        How long to wait before another attempt; nothing: the secret may be looked at. An attempt
        that has to wait is not counted.
    """
    audit.take_turn(session)
    rows = {kind: session.get(SignInCount, _key(kind, what)) for kind, what in counted.items()}
    waits = [row.wait_until - now for row in rows.values() if row and row.wait_until]
    longest = max(waits, default=timedelta(0))
    if longest > timedelta(0):
        # No longer than ever, also where the clock was set back.
        return min(longest, LONGEST_WAIT)
    for kind, what in counted.items():
        row = rows[kind]
        if row is None:
            row = SignInCount(key_hash=_key(kind, what), level=0.0, counted_at=now)
            session.add(row)
        row.level = level_at(row.level, row.counted_at, now, LIMITS[kind]) + 1
        row.counted_at = now
        wait = wait_after(row.level, LIMITS[kind])
        row.wait_until = now + wait if wait else None
    # First what is counted now: an old count of this name is one of those that are forgotten.
    session.flush()
    session.execute(delete(SignInCount).where(SignInCount.counted_at < now - FORGOTTEN_AFTER))
    return timedelta(0)


def forgive_attempt(session: Session, counted: Mapping[str, str]) -> None:
    """Take an attempt back that was right."""
    for kind, what in counted.items():
        row = session.get(SignInCount, _key(kind, what))
        if row is None:
            continue
        row.level = 0.0 if kind in _CLEARED else max(row.level - 1, 0.0)
        if row.level < LIMITS[kind].free:
            row.wait_until = None
    session.flush()


def know_device(
    session: Session, account_id: uuid.UUID, device_hash: str, address: str, now: datetime
) -> None:
    """Remember that somebody signed in with that browser, and from where.

    Args:
        session: an open session that writes.
        account_id: who.
        device_hash: SHA-256 of the secret that the browser keeps.
        address: as `place_of` writes it.
        now: when, UTC.
    """
    known = session.get(KnownDevice, (account_id, device_hash, address[:60]))
    if known is None:
        known = KnownDevice(account_id=account_id, device_hash=device_hash, address=address[:60])
        session.add(known)
    known.last_at = now
    session.execute(delete(KnownDevice).where(KnownDevice.last_at < now - DEVICE_KNOWN_FOR))
    session.flush()


def _key(kind: str, what: str) -> str:
    return hashlib.sha256(f"{kind}\n{what}".encode()).hexdigest()
