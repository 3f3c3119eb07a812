"""Pictures that come with the can: kept with it, and the can is logged whatever becomes of them."""

import io

from sqlalchemy import select

from tests.defects.log_site import LogSite
from tests.defects.photos.small_pictures import exif, picture
from tests.support.markup import seen
from tracelog.db import new_id, reading
from tracelog.defects.models import Photo
from tracelog.defects.photos.actions import MOST_OF_ONE
from tracelog.defects.photos.pictures import MOST_BYTES


def file(content: bytes, name: str = "can.jpg") -> tuple[io.BytesIO, str]:
    return io.BytesIO(content), name


def tap(log_site: LogSite, **fields: object) -> int:
    """Tap a can with pictures; the status of the answer."""
    answer = log_site.tap(**fields)
    # The test client writes a large form into a file, and leaves it open.
    answer.request.environ["wsgi.input"].close()
    return answer.status_code


def photos(log_site: LogSite) -> list[Photo]:
    with reading(log_site.engine) as session:
        found = list(session.execute(select(Photo)).scalars())
        session.expunge_all()
        return found


def test_several_pictures_are_kept_with_the_can_without_what_they_tell_of_the_camera(
    log_site: LogSite,
) -> None:
    shots = [file(picture("JPEG", (80, 60 + one), exif=exif())) for one in range(3)]
    assert tap(log_site, number="2", photo=shots) == 303
    entry = log_site.last()
    assert entry.dome_code == "1-2"
    kept = photos(log_site)
    assert {one.entry_id for one in kept} == {entry.id}
    assert len(kept) == 3
    assert all(b"Camera of somebody" not in one.content for one in kept)
    assert log_site.last_audit().action == "keep photo"
    page = seen(log_site.visit.get("/log").text)
    assert "Kept: 1-2 split, 1." in page
    assert "is not kept" not in page


def test_the_can_is_kept_although_a_picture_is_refused(log_site: LogSite) -> None:
    shots = [
        file(b"no picture", "can.txt"),
        file(picture("PNG")),
        file(b"\xff\xd8" + b"x" * MOST_BYTES),
    ]
    assert tap(log_site, photo=shots) == 303
    assert log_site.last().dome_code == "1-1"
    assert len(photos(log_site)) == 1
    page = seen(log_site.visit.get("/log").text)
    assert "Kept: 1-1 split, 1." in page
    assert "The can is logged, but picture 1 is not kept: it is no JPEG, PNG or WebP" in page
    assert "picture 3 is not kept: it has 5.2 MB; at most 5 MB are kept" in page


def test_a_form_sent_twice_keeps_its_pictures_once(log_site: LogSite) -> None:
    sent = {"id": new_id()}
    for _each in range(2):
        shots = [file(picture("JPEG")), file(picture("PNG"))]
        assert tap(log_site, **sent, photo=shots) == 303
    assert len(photos(log_site)) == 2


def test_more_pictures_than_an_entry_has_room_for_are_told(log_site: LogSite) -> None:
    shots = [file(picture("PNG", (20 + one, 20))) for one in range(MOST_OF_ONE + 1)]
    assert tap(log_site, photo=shots) == 303
    assert len(photos(log_site)) == MOST_OF_ONE
    page = seen(log_site.visit.get("/log").text)
    assert f"picture {MOST_OF_ONE + 1} is not kept: it is one too many" in page


def test_large_pictures_of_a_phone_do_not_hinder_the_can(log_site: LogSite) -> None:
    # Together more than any other form may be.
    shots = [file(bytes(9 * 1024 * 1024)) for _each in range(2)]
    assert tap(log_site, number="12", photo=shots) == 303
    assert log_site.last().dome_code == "1-12"


def test_without_a_can_that_is_right_no_picture_is_kept(log_site: LogSite) -> None:
    before = log_site.counted()
    assert tap(log_site, defect="spilt", photo=[file(picture("PNG"))]) == 422
    assert (photos(log_site), log_site.counted()) == ([], before)
