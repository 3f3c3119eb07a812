"""Writes of screens: each one transaction of the caller and one audit record."""

import uuid
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.db import new_id
from tracelog.errors import Conflict, NotFound, TracelogError
from tracelog.language import _
from tracelog.people.labels import checked_label
from tracelog.people.secrets import SCREEN_PREFIX, new_token_secret, token_hash
from tracelog.wall.models import Screen

# That a screen is looked at is noted at most this often, so that reading stays reading.
NOTE_SEEN_EVERY = timedelta(days=1)


def make_screen(
    session: Session,
    name: str,
    line_id: uuid.UUID | None,
    expires_at: datetime | None,
    actor: Actor,
    now: datetime,
) -> str:
    """Make a screen.

    Args:
        session: an open session that writes.
        name: where it hangs; unique among those in use.
        line_id: which line it shows; None: the plant.
        expires_at: when it ends, UTC; None: when it is revoked.
        actor: who makes it.
        now: when, UTC.

    Returns:
        The token of its address: shown now, never again; only its SHA-256 is kept.

    Raises:
        TracelogError: name or end is not right; at its field.
        Conflict: a screen in use has that name.
    """
    kept_name = checked_label(name, _("is missing; say where the screen hangs"))
    if expires_at is not None and expires_at <= now:
        raise TracelogError(_("has passed already; choose a later day"), "expires_on")
    in_use = session.scalars(select(Screen.name).where(Screen.revoked_at.is_(None)))
    if kept_name.lower() in {one.lower() for one in in_use}:
        raise Conflict(
            _("'%(name)s' is in use; revoke that screen or choose another name", name=kept_name),
            "name",
        )
    secret = new_token_secret(SCREEN_PREFIX)
    session.add(
        Screen(
            id=new_id(),
            name=kept_name,
            line_id=line_id,
            token_hash=token_hash(secret),
            made_at=now,
            made_by=actor.name,
            expires_at=expires_at,
        )
    )
    session.flush()
    after = {"line_id": line_id, "expires_at": expires_at}
    audit.append(session, actor, now, "make screen", Subject("screen", kept_name), None, after)
    return secret


def revoke_screen(session: Session, screen_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """End a screen; ending it twice changes nothing.

    Raises:
        NotFound: there is no such screen.
    """
    screen = _screen(session, screen_id)
    if screen.revoked_at is not None:
        return
    screen.revoked_at = now
    audit.append(session, actor, now, "revoke screen", Subject("screen", screen.name))
    session.flush()


def note_seen(session: Session, screen_id: uuid.UUID, now: datetime) -> None:
    """Note that a screen was looked at, at most once a day.

    Raises:
        NotFound: there is no such screen.
    """
    screen = _screen(session, screen_id)
    if screen.last_seen_at is not None and now - screen.last_seen_at < NOTE_SEEN_EVERY:
        return
    screen.last_seen_at = now
    actor = Actor(f"screen {screen.name}", "screen", "page")
    audit.append(session, actor, now, "use screen", Subject("screen", screen.name))
    session.flush()


def _screen(session: Session, screen_id: uuid.UUID) -> Screen:
    screen = session.get(Screen, screen_id)
    if screen is None:
        raise NotFound(_("there is no such screen"))
    return screen
