"""What is taken for a picture, what is left out of it, and what hostile senders try."""

import io
import struct
import zlib
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageChops

from tests.defects.photos.small_pictures import PLACE, SCRIPT, chunk, exif, opened, picture, png
from tracelog.defects.photos.pictures import MOST_BYTES, MOST_PIXELS, picture_of
from tracelog.errors import TracelogError

SENT = {
    "jpeg": picture("JPEG"),
    "progressive jpeg": picture("JPEG", progressive=True),
    "jpeg in cmyk": picture("JPEG", mode="CMYK"),
    "jpeg with restarts": picture("JPEG", restart_marker_rows=1),
    "png": picture("PNG"),
    "png with palette": picture("PNG", mode="P"),
    "png with alpha": picture("PNG", mode="RGBA"),
    "png of bits": picture("PNG", mode="1"),
    "webp": picture("WEBP"),
    "webp without loss": picture("WEBP", lossless=True),
    "webp with alpha": picture("WEBP", mode="RGBA"),
}


@pytest.mark.parametrize("name", SENT)
def test_a_picture_stays_the_same_picture(name: str) -> None:
    content = SENT[name]
    found = picture_of(content)
    assert found.media_type.removeprefix("image/") in name
    assert (found.width, found.height) == (64, 48)
    before, after = opened(content), opened(found.content)
    assert after.size == before.size
    off = ImageChops.difference(after.convert("RGB"), before.convert("RGB")).getextrema()
    # What is encoded with loss may be off by what no eye tells at an edge of black and black.
    assert max(high for _low, high in off) <= (0 if "png" in name or "without" in name else 8)
    # The same picture sent again is the same content.
    assert picture_of(content).content == found.content


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_place_camera_and_texts_are_left_out(kind: str) -> None:
    content = picture(kind, exif=exif().tobytes())
    assert PLACE.encode() in content
    found = picture_of(content)
    for told in (PLACE.encode(), b"Camera of somebody"):
        assert told not in found.content
    # What the sender's file told by its orientation, the pixels show.
    assert sorted(opened(found.content).size) == [48, 64]


def test_which_side_is_up_is_drawn_and_no_longer_told() -> None:
    with Image.new("RGB", (64, 48), "white") as sent:
        sent.paste("red", (0, 0, 16, 16))
        for orientation, corner in ((1, (4, 4)), (3, (59, 43)), (6, (43, 4)), (8, (4, 59))):
            held = io.BytesIO()
            sent.save(held, "JPEG", exif=exif(orientation).tobytes(), quality=95)
            found = picture_of(held.getvalue())
            kept = opened(found.content)
            assert not kept.getexif()
            assert kept.size == (found.width, found.height)
            assert kept.size == ((64, 48) if orientation in (1, 3) else (48, 64))
            red, green, _blue = kept.getpixel(corner)  # type: ignore[misc]
            assert red > 200 > 60 > green, orientation


def test_what_is_sound_in_its_parts_and_cannot_be_decoded_is_refused() -> None:
    body = b"VP8 " + struct.pack("<I", 10) + b"\x10\x00\x00\x9d\x01\x2a\x08\x00\x08\x00"
    with pytest.raises(TracelogError, match="is broken"):
        picture_of(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WEBP" + body)


def test_comments_thumbnails_and_what_stands_behind_are_left_out() -> None:
    jpeg = SENT["jpeg"]
    comment = b"\xff\xfe" + struct.pack(">H", len(SCRIPT) + 2) + SCRIPT
    text = chunk(b"tEXt", b"Comment\0" + SCRIPT)
    packed = zlib.compress(bytes(3 * 3))
    for sent in (
        jpeg[:2] + comment + jpeg[2:],
        jpeg + SCRIPT,
        jpeg + b"PK\x03\x04" + SCRIPT,
        png(2, 3, packed, text),
        png(2, 3, packed) + SCRIPT,
        SENT["webp"] + SCRIPT,
    ):
        assert SCRIPT in sent
        assert SCRIPT not in picture_of(sent).content


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is missing"),
        (b"\0" * (MOST_BYTES + 1), "at most 5 MB"),
        (b"GIF89a" + bytes(40), "is no JPEG, PNG or WebP"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "is no JPEG"),
        (b"%PDF-1.7", "is no JPEG"),
        (b"\0\0\0\x18ftypheic", "is no JPEG"),
        (b"MZ" + bytes(100), "is no JPEG"),
        (b"\xff\xd8\xff" + SCRIPT, "is broken"),
        (SENT["jpeg"][:-2], "ends too early"),
        (SENT["jpeg"][: len(SENT["jpeg"]) // 2], "is broken"),
        (SENT["png"][:-1], "ends too early"),
        (SENT["webp"][:-8], "ends too early"),
        (SENT["png"][:30] + b"\0" + SENT["png"][31:], "check sum"),
        (b"\xff\xd8\xff\xd9", "has no content"),
        (b"RIFF\x04\0\0\0WEBP", "holds no picture"),
        (
            picture("WEBP", save_all=True, append_images=[])[:12] + b"ANIM\x06\0\0\0" + bytes(6),
            "is broken",
        ),
        (png(2, 3, zlib.compress(bytes(9)), chunk(b"EVIL", b"")), "not known"),
        (png(2, 3, zlib.compress(bytes(8))), "not as large as its header says"),
        (png(2, 3, zlib.compress(bytes(10**7))), "not as large as its header says"),
        (png(2, 3, zlib.compress(bytes(9)) + SCRIPT), "behind its content"),
        (png(2, 3, b"nothing packed"), "cannot be unpacked"),
        (png(2, 3, b"", header=b"\0\0\0\x02\0\0\0\x03\x08\x05\0\0\0"), "does not exist"),
        (png(0, 3, b""), "pixels large"),
        (png(20_000, 3, b""), "20000 × 3 pixels large"),
        (png(11_000, 11_000, b""), "pixels large"),
        (png(2**31 - 1, 2**31 - 1, b""), "pixels large"),
    ],
)
def test_what_is_no_picture_is_refused_with_one_sentence(content: bytes, words: str) -> None:
    with pytest.raises(TracelogError) as problem:
        picture_of(content)
    assert problem.value.field == "photo"
    assert words in problem.value.sentence


def test_huge_sizes_are_refused_before_anything_is_unpacked() -> None:
    frame = b"\xff\xc0\x00\x0b\x08" + struct.pack(">HH", 65_500, 65_500) + b"\x01\x01\x11\x00"
    scan = b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00" + b"\x12\x34"
    with pytest.raises(TracelogError, match="65500 × 65500 pixels"):
        picture_of(b"\xff\xd8" + frame + scan + b"\xff\xd9")
    lossless = (0x3FFF | 0x3FFF << 14).to_bytes(4, "little")
    body = b"VP8L" + struct.pack("<I", 6) + b"\x2f" + lossless + b"\0"
    with pytest.raises(TracelogError, match="16384 × 16384 pixels"):
        picture_of(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WEBP" + body)


def test_a_moving_picture_is_refused() -> None:
    frames = [Image.new("RGB", (8, 8), colour) for colour in ("red", "blue")]
    sent = picture("WEBP")
    held = io.BytesIO()
    frames[0].save(held, "WEBP", save_all=True, append_images=frames[1:])
    assert held.getvalue() != sent
    with pytest.raises(TracelogError, match="it moves"):
        picture_of(held.getvalue())


@given(st.sampled_from(sorted(SENT)), st.data())
def test_whatever_is_broken_is_refused_or_still_a_picture(name: str, data: st.DataObject) -> None:
    content = bytearray(SENT[name])
    for _n in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(3, len(content) - 1))
        content[place] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(3, len(content)))
    try:
        found = picture_of(bytes(content[:cut]))
    except TracelogError:
        return
    assert found.media_type in {"image/jpeg", "image/png", "image/webp"}
    assert len(found.content) <= len(content) + 64


@given(
    st.binary(max_size=400),
    st.sampled_from([b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\x20\0\0\0WEBP"]),
)
def test_noise_behind_a_right_beginning_is_refused_without_a_crash(
    noise: bytes, start: bytes
) -> None:
    found = None
    with suppress(TracelogError):
        found = picture_of(start + noise)
    assert found is None or 0 < found.width * found.height <= MOST_PIXELS
