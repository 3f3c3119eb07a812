"""What an uploaded picture is, by its content, and the same picture without its metadata.

Only JPEG, PNG and WebP are taken, each read part by part: what the picture itself needs is kept,
everything else (place, camera, comments, thumbnails, what stands after the end) is left out. Only
what is sound in its parts and not too large is then decoded, and encoded anew (`redrawing`).

Sources of the formats: ISO/IEC 10918-1 (JPEG), ISO/IEC 15948 (PNG), RFC 9649 (WebP), and for the
orientation CIPA DC-008 (Exif), from memory.
"""

from dataclasses import dataclass

from tracelog.defects.photos.jpeg import clean_jpeg
from tracelog.defects.photos.parts import BadPicture
from tracelog.defects.photos.png import PNG_SIGNATURE, clean_png
from tracelog.defects.photos.redrawing import redrawn
from tracelog.defects.photos.webp import clean_webp
from tracelog.errors import TracelogError
from tracelog.language import _

MOST_BYTES = 5 * 1024 * 1024
MOST_SIDE = 12_000
MOST_PIXELS = 50_000_000
_KINDS = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}
ENDINGS = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp"}


@dataclass(frozen=True)
class Picture:
    """A picture that may be kept and shown."""

    media_type: str
    content: bytes
    width: int
    height: int


def picture_of(content: bytes) -> Picture:
    """Check an uploaded picture and leave out what does not belong to it.

    Args:
        content: as it was sent; its name and the type that the sender names count for nothing.

    Raises:
        TracelogError: it is no picture, is broken, or is too large; at the field ``photo``.
    """
    if not content:
        raise TracelogError(_("is missing; choose a picture"), "photo")
    if len(content) > MOST_BYTES:
        raise TracelogError(
            _(
                "has %(size).1f MB; at most %(most)d MB are kept, so choose a smaller picture",
                size=len(content) / 1e6,
                most=MOST_BYTES // 1024**2,
            ),
            "photo",
        )
    try:
        media_type, (cleaned, width, height) = _cleaned(content)
        _demand_size(width, height)
        kept, width, height = redrawn(cleaned, _KINDS[media_type])
    except (BadPicture, IndexError) as problem:
        why = str(problem) if isinstance(problem, BadPicture) else _("it ends too early")
        sentence = _("is broken (%(why)s); take or save the picture again", why=why)
        raise TracelogError(sentence, "photo") from None
    return Picture(media_type, kept, width, height)


def _demand_size(width: int, height: int) -> None:
    if not (0 < width <= MOST_SIDE and 0 < height <= MOST_SIDE) or width * height > MOST_PIXELS:
        raise TracelogError(
            _(
                "is %(width)d × %(height)d pixels large; at most %(most)d a side and 50 million in"
                " all are kept",
                width=width,
                height=height,
                most=MOST_SIDE,
            ),
            "photo",
        )


def _cleaned(content: bytes) -> tuple[str, tuple[bytes, int, int]]:
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg", clean_jpeg(content)
    if content.startswith(PNG_SIGNATURE):
        return "image/png", clean_png(content, MOST_SIDE, MOST_PIXELS)
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "image/webp", clean_webp(content)
    raise TracelogError(
        _("is no JPEG, PNG or WebP picture; let the camera save JPEG, or take a screenshot of it"),
        "photo",
    )
