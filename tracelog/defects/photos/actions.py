"""Keeping photos."""

import hashlib
import uuid
from datetime import datetime

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.defects.models import Entry, Photo
from tracelog.defects.photos.facts import PhotoFact
from tracelog.defects.photos.pictures import picture_of
from tracelog.errors import Conflict, TracelogError, UnknownReference
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome

MOST_OF_ONE = 12


def keep_photo(session: Session, fact: PhotoFact, actor: Actor, now: datetime) -> Outcome:
    """Check a picture, and keep it without its metadata.

    Args:
        session: an open session that writes.
        fact: the picture and the entry it belongs to; the same id again changes nothing.
        actor: who sends it.
        now: UTC.

    Raises:
        TracelogError: it is no picture that can be kept, or the entry has enough of them.
        UnknownReference: there is no such entry.
        Conflict: the id was accepted before with another picture.
    """
    picture = picture_of(fact.photo)
    take_turn(session)
    digest = hashlib.sha256(picture.content).hexdigest()
    if _is_kept(session, fact, digest):
        return UNCHANGED
    if fact.entry is not None:
        _demand_place(session, fact.entry)
    key = fact.id or new_id()
    after = {
        "entry": fact.entry,
        "media_type": picture.media_type,
        "sha256": digest,
        "bytes": len(picture.content),
        "width": picture.width,
        "height": picture.height,
    }
    audit_id = append(session, actor, now, "keep photo", Subject("photo", str(key)), None, after)
    session.execute(
        insert(Photo).values(
            id=key,
            entry_id=fact.entry,
            media_type=picture.media_type,
            content_hash=digest,
            size_bytes=len(picture.content),
            content=picture.content,
            stored_at=now,
            stored_by=actor.name,
            audit_id=audit_id,
        )
    )
    return CREATED


def _is_kept(session: Session, fact: PhotoFact, digest: str) -> bool:
    """Whether this very picture is kept under its id.

    Raises:
        Conflict: another picture is.
    """
    earlier = session.execute(
        select(Photo.entry_id, Photo.content_hash).where(Photo.id == fact.id)
    ).one_or_none()
    if earlier is not None and tuple(earlier) != (fact.entry, digest):
        raise Conflict(_("a photo with this id is another picture; send it anew"), "id")
    return earlier is not None


def _demand_place(session: Session, entry: uuid.UUID) -> None:
    if session.execute(select(Entry.id).where(Entry.id == entry)).one_or_none() is None:
        raise UnknownReference(_("there is no entry with the id %(id)s", id=entry), "entry")
    there = select(func.count()).select_from(Photo).where(Photo.entry_id == entry)
    if session.execute(there).scalar_one() >= MOST_OF_ONE:
        raise TracelogError(
            _("is one too many; an entry has at most %(most)d photos", most=MOST_OF_ONE), "photo"
        )
