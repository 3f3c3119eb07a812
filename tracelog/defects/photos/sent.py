"""Pictures that came with a form: read no further than may be kept, and kept one by one."""

import hashlib
import uuid
from contextlib import closing

from flask import request
from werkzeug.datastructures import FileStorage

from tracelog.defects.photos.actions import MOST_OF_ONE, keep_photo
from tracelog.defects.photos.facts import PhotoFact
from tracelog.defects.photos.pictures import MOST_BYTES
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.web.request import current_actor, current_session, now, the_plant_now

PHOTO_FIELD = "photo"


def read_sent(sent: FileStorage) -> bytes:
    """The content of a file that was sent: at most one byte more than is kept, which tells that
    it is too large.
    """
    with closing(sent):
        return sent.stream.read(MOST_BYTES + 1)


def keep_sent_photos(entry_id: uuid.UUID) -> list[str]:
    """Keep the pictures of this request's form with an entry that is kept already.

    The id of each follows from entry and content, so that a form sent twice keeps it once.

    Returns:
        One sentence for each picture that is not kept; the entry stands without it.
    """
    told = []
    chosen = [sent for sent in request.files.getlist(PHOTO_FIELD) if sent.filename]
    for number, sent in enumerate(chosen, start=1):
        try:
            if number > MOST_OF_ONE:
                why = _("is one too many; an entry has at most %(most)d photos", most=MOST_OF_ONE)
                raise TracelogError(why, PHOTO_FIELD)
            content = read_sent(sent)
            key = uuid.uuid5(entry_id, f"photo {hashlib.sha256(content).hexdigest()}")
            values = {"id": key, "entry": entry_id, "photo": content}
            fact = PhotoFact.read(values, the_plant_now().zone)
            keep_photo(current_session(), fact, current_actor(), now())
        except TracelogError as problem:
            told.append(
                _(
                    "The can is logged, but picture %(number)d is not kept: it %(why)s.",
                    number=number,
                    why=problem.sentence,
                )
            )
    return told
