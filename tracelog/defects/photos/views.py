"""Photos over the pages: shown to who is signed in, and added to an entry."""

import uuid

from flask import Blueprint, Response, flash, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.db import new_id
from tracelog.defects.photos.actions import keep_photo
from tracelog.defects.photos.facts import PhotoFact
from tracelog.defects.photos.pictures import ENDINGS
from tracelog.defects.photos.queries import photo
from tracelog.defects.photos.sent import PHOTO_FIELD, read_sent
from tracelog.defects.queries import entry
from tracelog.defects.views import entry_page_with_photo
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now
from tracelog.web.security import show_alone

photo_pages = Blueprint("photos", __name__)


def sent_photo(form: Form, entry_id: uuid.UUID | None = None) -> PhotoFact:
    """The picture of a form with the field ``photo``.

    Raises:
        TracelogError: a field is wrong.
    """
    sent = request.files.get(PHOTO_FIELD)
    content = b"" if sent is None else read_sent(sent)
    values: dict[str, object] = {"id": form.value("id") or str(new_id()), "photo": content}
    if entry_id is not None:
        values["entry"] = str(entry_id)
    return PhotoFact.read(values, the_plant_now().zone)


@photo_pages.get("/photos/<uuid:photo_id>")
@permit("see")
def show_photo(photo_id: uuid.UUID) -> AnyResponse:
    """The picture itself: never run, never guessed at, never shown without asking again."""
    found, content = photo(current_session(), photo_id)
    answer = Response(content, content_type=found.media_type)
    name = f"photo-{found.id}.{ENDINGS[found.media_type]}"
    answer.headers["Content-Disposition"] = f'inline; filename="{name}"'
    # Kept by the browser, yet asked for each time, so that nobody sees it after signing out.
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.set_etag(found.content_hash)
    show_alone()
    return answer.make_conditional(request)


@photo_pages.post("/log/<uuid:entry_id>/photos")
@permit("log entry")
def add_photo(entry_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Add a picture to an entry."""
    form = posted(("id",))
    record = entry(current_session(), entry_id)
    try:
        keep_photo(current_session(), sent_photo(form, entry_id), current_actor(), now())
    except TracelogError as problem:
        return entry_page_with_photo(record, form.with_problem(problem)), problem.status
    flash(_("The photo is kept, without what it told of place and camera."))
    return redirect(f"/log/{entry_id}", 303)
