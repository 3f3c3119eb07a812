"""One case as an archive: what is known of it and its pictures, for whoever answers for it.

A ZIP file with `case.json` (the documented answer), `pictures/` (each named by the SHA-256 of its
content) and `SHA256SUMS`, which the usual programs check. The same case gives the same bytes.
"""

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from tracelog.cases.complaints.queries import complaint_with_id
from tracelog.cases.whole.answers import whole_answer
from tracelog.cases.whole.queries import WholeCase
from tracelog.defects.photos.pictures import ENDINGS
from tracelog.defects.photos.queries import (
    PhotoView,
    photo,
    photos_of_entries,
    photos_with_ids,
)
from tracelog.facts import plain_value

MEDIA_TYPE = "application/zip"
# ZIP has no time zone and no year before 1980; the instants are in case.json.
_NO_DATE = (1980, 1, 1, 0, 0, 0)


def packed_case(session: Session, whole: WholeCase, made_at: datetime) -> bytes:
    """The archive of one case.

    Args:
        session: an open session.
        whole: the case, as read in it.
        made_at: UTC; told in case.json.
    """
    photos = _photos(session, whole, made_at)
    answer = {
        **whole_answer(whole),
        "made_at": made_at,
        "pictures": [_told(one) for one in photos],
    }
    text = json.dumps(answer, indent=2, ensure_ascii=False, default=plain_value) + "\n"
    sums: list[str] = []
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:

        def add(name: str, content: bytes, kind: int) -> None:
            info = zipfile.ZipInfo(name, _NO_DATE)
            info.compress_type = kind
            info.external_attr = 0o644 << 16
            archive.writestr(info, content)
            sums.append(f"{hashlib.sha256(content).hexdigest()}  {name}\n")

        add("case.json", text.encode(), zipfile.ZIP_DEFLATED)
        for name, content in _pictures(session, photos):
            add(name, content, zipfile.ZIP_STORED)
        add("SHA256SUMS", "".join(sums).encode(), zipfile.ZIP_DEFLATED)
    return packed.getvalue()


def _photos(session: Session, whole: WholeCase, as_of: datetime) -> list[PhotoView]:
    """Pictures linked to the case, to its entries and to its complaints; each once."""
    linked: dict[str, list[Any]] = {}
    for one in whole.links:
        if one.stands:
            linked.setdefault(one.target, []).append(one.key)
    wanted = list(linked.get("photo", ()))
    for key in linked.get("complaint", ()):
        wanted += complaint_with_id(session, key, as_of).photo_ids
    found = photos_with_ids(session, wanted)
    found += photos_of_entries(session, linked.get("entry", ()))
    return list({one.id: one for one in found}.values())


def _pictures(session: Session, photos: list[PhotoView]) -> Iterator[tuple[str, bytes]]:
    """Names and contents; one that was kept twice is packed once. One in memory at a time."""
    packed = set()
    for one in photos:
        if (name := _name(one)) not in packed:
            packed.add(name)
            yield name, photo(session, one.id)[1]


def _name(one: PhotoView) -> str:
    return f"pictures/{one.content_hash}.{ENDINGS[one.media_type]}"


def _told(one: PhotoView) -> dict[str, Any]:
    return {
        "id": str(one.id),
        "file": _name(one),
        "entry": None if one.entry_id is None else str(one.entry_id),
        "stored_at": one.stored_at,
        "stored_by": one.stored_by,
    }
