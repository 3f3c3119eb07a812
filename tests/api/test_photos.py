"""Photos over the API: sent in base64, checked, and fetched."""

import base64
import uuid

from tests.api.plant import Site
from tests.defects.photos.small_pictures import exif, picture
from tracelog.db import new_id

PHONE = picture("JPEG", exif=exif().tobytes())


def test_programs_send_and_fetch_photos(site: Site) -> None:
    program = site.program("operator")
    text = base64.b64encode(PHONE).decode()
    key = str(uuid.UUID(int=7))
    answer = program.post("/photos", {"id": key, "photo": text})
    assert (answer.status_code, answer.json) == (201, {"status": "created", "id": key})
    assert program.post("/photos", {"id": key, "photo": text}).status_code == 200
    found = program.get(f"/photos/{key}").json
    assert base64.b64decode(found["photo_base64"])[:3] == b"\xff\xd8\xff"
    assert (found["media_type"], found["entry"]) == ("image/jpeg", None)
    for sent, field in (
        ({"photo": "%%%"}, "photo"),
        ({"photo": base64.b64encode(b"GIF89a").decode()}, "photo"),
        ({"photo": base64.b64encode(PHONE + bytes(6_000_000)).decode()}, "at most 5 MB"),
        ({"photo": text, "entry": str(new_id())}, "entry"),
        ({}, "photo"),
    ):
        bad = program.post("/photos", sent)
        assert bad.status_code in {400, 422}
        assert field in str(bad.json)
    assert program.get("/photos/17").status_code == 404
