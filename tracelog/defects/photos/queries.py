"""Reads of photos, and whether they are still what was kept."""

import hashlib
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.defects.models import Photo
from tracelog.errors import NotFound
from tracelog.language import _


@dataclass(frozen=True)
class PhotoView:
    """What is on record of a photo, without its content."""

    id: uuid.UUID
    entry_id: uuid.UUID | None
    media_type: str
    content_hash: str
    size_bytes: int
    stored_at: datetime
    stored_by: str


_COLUMNS = (
    *(Photo.id, Photo.entry_id, Photo.media_type, Photo.content_hash),
    *(Photo.size_bytes, Photo.stored_at, Photo.stored_by),
)


def photo(session: Session, key: uuid.UUID) -> tuple[PhotoView, bytes]:
    """One photo with its content.

    Raises:
        NotFound: there is no such photo.
    """
    row = session.execute(select(*_COLUMNS, Photo.content).where(Photo.id == key)).one_or_none()
    if row is None:
        raise NotFound(_("there is no photo with the id %(id)s", id=key))
    return PhotoView(*row[:-1]), row.content


def photos_of_entry(session: Session, entry: uuid.UUID) -> list[PhotoView]:
    """The photos of an entry, the first one first. One statement."""
    return photos_of_entries(session, [entry])


def photos_of_entries(session: Session, entries: Sequence[uuid.UUID]) -> list[PhotoView]:
    """The photos of some entries, the first kept first. One statement."""
    asked = select(*_COLUMNS).where(Photo.entry_id.in_(entries))
    return [PhotoView(*row) for row in session.execute(asked.order_by(Photo.stored_at, Photo.id))]


def photos_with_ids(session: Session, keys: Sequence[uuid.UUID]) -> list[PhotoView]:
    """Some photos, the first kept first. One statement."""
    asked = select(*_COLUMNS).where(Photo.id.in_(keys)).order_by(Photo.stored_at, Photo.id)
    return [PhotoView(*row) for row in session.execute(asked)]


def broken_photos(session: Session) -> list[str]:
    """Photos whose content is not what was kept: one sentence for each."""
    asked = select(Photo.id, Photo.content_hash, Photo.size_bytes, Photo.content)
    found = []
    for key, digest, size, content in session.execute(
        asked.order_by(Photo.id).execution_options(yield_per=20)
    ):
        if hashlib.sha256(content).hexdigest() != digest or len(content) != size:
            found.append(f"photo {key} was altered after it was kept")
    return found
