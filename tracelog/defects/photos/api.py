"""The API's calls for photos."""

import base64

from flask import Blueprint, Response

from tracelog.defects.photos.actions import keep_photo
from tracelog.defects.photos.facts import PhotoFact
from tracelog.defects.photos.queries import photo
from tracelog.language import _
from tracelog.web.collections import id_in_address, keep_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_session, permit
from tracelog.web.shapes import (
    COUNT,
    ID,
    INSTANT,
    KEPT_ONE,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    maybe,
)
from tracelog.web.strict_json import answer_json

photos_api = Blueprint("photos_api", __name__, url_prefix="/api/v1")
_PHOTO = fields(
    {
        "id": ID,
        "entry": maybe(ID),
        "media_type": TEXT,
        "sha256": TEXT,
        "bytes": COUNT,
        "stored_at": INSTANT,
        "stored_by": TEXT,
        "photo_base64": TEXT,
    }
)


@photos_api.post("/photos")
@permit("log entry")
@described(
    Call(
        "Keep a picture (JPEG, PNG or WebP) of an entry, or of something else.",
        KEPT_ONE,
        body=PhotoFact,
        problems=(409, 413, 415),
    )
)
def post_photo() -> Response:
    """Keep one picture, without its metadata."""
    return keep_one(PhotoFact, keep_photo)


@photos_api.get("/photos/<photo_id>")
@permit("see")
@described(
    Call(
        "A picture and what is on record of it.",
        answers_with(_PHOTO),
        asked=(Asked("photo_id", ID, "the photo's id", place="path"),),
        problems=(404,),
    )
)
def get_photo(photo_id: str) -> Response:
    """One picture."""
    Parameters(()).finish()
    missing = _("there is no photo with the id '%(id)s'", id=photo_id[:40])
    found, content = photo(current_session(), id_in_address(photo_id, missing))
    return answer_json(
        {
            "id": str(found.id),
            "entry": str(found.entry_id) if found.entry_id else None,
            "media_type": found.media_type,
            "sha256": found.content_hash,
            "bytes": found.size_bytes,
            "stored_at": found.stored_at,
            "stored_by": found.stored_by,
            "photo_base64": base64.b64encode(content).decode("ascii"),
        }
    )
