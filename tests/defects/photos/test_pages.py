"""Photos on the pages and over the API: kept, shown safely, and checked."""

import io
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, select, update

from tests.cases.complaints.small_complaints import written
from tests.defects.photos.small_pictures import PLACE, exif, picture
from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary
from tests.support.site import Cast, Visit
from tests.trace.holds.small_stock import MINUTE, NOW, write_stock
from tests.trace.two_lines import log
from tracelog.audit import AuditRecord
from tracelog.db import new_id, reading, writing
from tracelog.defects.models import Entry, Photo
from tracelog.defects.photos.actions import MOST_OF_ONE
from tracelog.defects.photos.queries import broken_photos
from tracelog.keeping.integrity import look_over

PHONE = picture("JPEG", exif=exif().tobytes())


@pytest.fixture
def operator(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """An operator; one entry and one complaint are on record."""
    with writing(own_engine) as session:
        write_stock(session)
        log(session, 20, "1-1")
        written(session)
    clock.instant = NOW + 5 * MINUTE
    cast.sign_in(visit, "operator")
    return visit


@pytest.fixture
def entry(operator: Visit, own_engine: Engine) -> str:
    """The entry's page."""
    with reading(own_engine) as session:
        return f"/log/{session.execute(select(Entry.id)).scalar_one()}"


def send(visit: Visit, page: str, content: bytes, **more: Any) -> Any:
    """Send a file by the form of a page, as a browser does."""
    shown = form_on(visit.get(page).text, f"{page}/photos")
    fields = {"id": shown["id"], "photo": (io.BytesIO(content), "../../etc/passwd.html")}
    return visit.post(f"{page}/photos", **(fields | more))


def kept(engine: Engine) -> list[Photo]:
    with reading(engine) as session:
        found = list(session.execute(select(Photo)).scalars())
        session.expunge_all()
        return found


def test_a_photo_of_an_entry_is_kept_without_metadata_and_shown(
    operator: Visit, own_engine: Engine, entry: str
) -> None:
    assert send(operator, entry, PHONE).status_code == 303
    (photo,) = kept(own_engine)
    assert PLACE.encode() not in photo.content
    assert (photo.media_type, photo.size_bytes) == ("image/jpeg", len(photo.content))
    assert f'src="/photos/{photo.id}"' in operator.get(entry).text
    with reading(own_engine) as session:
        newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
        record = session.execute(newest).scalar_one()
        assert (record.action, record.subject) == ("keep photo", str(photo.id))
        assert photo.content_hash in (record.after or "")


def test_a_photo_is_served_so_that_it_can_only_be_looked_at(
    operator: Visit, own_engine: Engine, entry: str, application: Flask
) -> None:
    send(operator, entry, PHONE)
    (photo,) = kept(own_engine)
    answer = operator.get(f"/photos/{photo.id}")
    assert answer.data == photo.content
    headers = answer.headers
    assert headers["Content-Type"] == "image/jpeg"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Content-Security-Policy"] == (
        "default-src 'none'; frame-ancestors 'none'; sandbox"
    )
    assert headers["Content-Disposition"] == f'inline; filename="photo-{photo.id}.jpg"'
    assert headers["Cache-Control"] == "private, no-cache"
    again = operator.client.get(f"/photos/{photo.id}", headers={"If-None-Match": headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    stranger = application.test_client().get(f"/photos/{photo.id}")
    assert stranger.status_code in {302, 303, 401}
    assert operator.get(f"/photos/{new_id()}").status_code == 404


def test_the_same_form_twice_keeps_one_photo(
    operator: Visit, own_engine: Engine, entry: str
) -> None:
    key = str(new_id())
    for _n in range(2):
        assert send(operator, entry, PHONE, id=key).status_code == 303
    assert len(kept(own_engine)) == 1
    other = send(operator, entry, picture("PNG"), id=key)
    assert other.status_code == 409
    assert "is another picture" in summary(other)


def test_what_is_no_photo_is_told_at_its_field(
    operator: Visit, own_engine: Engine, entry: str
) -> None:
    for content, words in (
        (b"", "is missing"),
        (b"<html><script>alert(1)</script>", "is no JPEG, PNG or WebP"),
        (PHONE[:200], "is broken"),
    ):
        answer = send(operator, entry, content)
        assert answer.status_code == 400
        assert words in seen(answer.text)
    answer = operator.post(f"{entry}/photos", id="17", photo=(io.BytesIO(PHONE), "a.jpg"))
    assert answer.status_code == 422
    assert kept(own_engine) == []
    without = operator.client.post(f"{entry}/photos", data={"photo": (io.BytesIO(PHONE), "a.jpg")})
    assert without.status_code == 400
    assert operator.post(f"/log/{new_id()}/photos").status_code == 404


def test_an_entry_has_so_many_photos_and_no_more(
    operator: Visit, own_engine: Engine, entry: str
) -> None:
    for _n in range(MOST_OF_ONE):
        assert send(operator, entry, PHONE).status_code == 303
    full = send(operator, entry, PHONE)
    assert full.status_code == 400
    assert "is one too many" in seen(full.text)


def test_a_photo_of_a_complaint_is_a_step_of_it(
    operator: Visit, own_engine: Engine, cast: Cast
) -> None:
    assert "/complaints/1/photos" not in operator.get("/complaints/1").text
    operator.get("/log")
    sent = {"photo": (io.BytesIO(PHONE), "a.jpg")}
    assert operator.post("/complaints/1/photos", **sent).status_code == 403
    operator.post("/sign-out")
    cast.sign_in(operator, "quality")
    key = str(new_id())
    for _n in range(2):
        assert send(operator, "/complaints/1", PHONE, id=key).status_code == 303
    (photo,) = kept(own_engine)
    assert photo.entry_id is None
    page = operator.get("/complaints/1").text
    assert page.count(f'src="/photos/{photo.id}"') == 1
    assert send(operator, "/complaints/1", b"nothing").status_code == 400


def test_a_photo_that_was_altered_is_found(operator: Visit, own_engine: Engine, entry: str) -> None:
    send(operator, entry, PHONE)
    (photo,) = kept(own_engine)
    with writing(own_engine) as session:
        assert broken_photos(session) == []
        session.execute(update(Photo).values(content=photo.content[:-1] + b"\0"))
        assert broken_photos(session) == [f"photo {photo.id} was altered after it was kept"]
        whole = look_over(session, NOW + 60 * MINUTE, rebuild=False)
        assert f"photo {photo.id} was altered after it was kept" in whole.references
        session.rollback()
