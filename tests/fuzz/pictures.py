"""Pictures as they are uploaded.

The first byte says whether the sums of a PNG and the length of a WebP are put right before, so
that what lies behind them is reached; the rest is the picture.
"""

import zlib

from tests.fuzz.telling import must_tell
from tracelog.defects.photos.pictures import ENDINGS, Picture, picture_of
from tracelog.defects.photos.png import PNG_SIGNATURE
from tracelog.errors import TracelogError


def try_one(data: bytes) -> None:
    """Take a picture in; one that is kept can be taken in again, and has the same size."""
    if not data:
        return
    content = _put_right(data[1:]) if data[0] & 1 else data[1:]
    found = _picture(content)
    if found is not None:
        assert found.media_type in ENDINGS
        again = _picture(found.content)
        assert again is not None
        assert (again.width, again.height) == (found.width, found.height)


def _picture(content: bytes) -> Picture | None:
    try:
        return picture_of(content)
    except TracelogError as problem:
        must_tell(problem, "photo")
        return None


def _put_right(content: bytes) -> bytes:
    if content.startswith(b"RIFF"):
        return content[:4] + (len(content) - 8).to_bytes(4, "little", signed=True) + content[8:]
    if not content.startswith(PNG_SIGNATURE):
        return content
    made, place = [PNG_SIGNATURE], len(PNG_SIGNATURE)
    while place + 12 <= len(content):
        length = min(int.from_bytes(content[place : place + 4]), len(content) - place - 12)
        body = content[place + 4 : place + 8 + length]
        made += [length.to_bytes(4), body, zlib.crc32(body).to_bytes(4)]
        place += length + 12
    return b"".join(made)
