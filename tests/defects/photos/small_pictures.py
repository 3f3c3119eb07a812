"""Pictures as phones and people send them, made whole or part by part."""

import io
import struct
import zlib
from typing import Any

from PIL import Image

PLACE = "40 25 00 N"
SCRIPT = b"<script>alert(1)</script>"


def picture(kind: str, size: tuple[int, int] = (64, 48), **options: Any) -> bytes:
    """A picture with two colours."""
    mode = options.pop("mode", "RGB")
    with Image.new(mode, size) as image:
        image.paste(Image.new(mode, (size[0] // 2, size[1])), (0, 0))
        held = io.BytesIO()
        image.save(held, kind, **options)
    return held.getvalue()


def exif(orientation: int = 6) -> Image.Exif:
    """What a phone tells: which side is up, the camera, and a text that tells a place."""
    told = Image.Exif()
    told[0x0112] = orientation
    told[0x010F] = "Camera of somebody"
    told[0x010E] = PLACE
    return told


def opened(content: bytes) -> Image.Image:
    """The picture as others read it, decoded to its last row."""
    image = Image.open(io.BytesIO(content))
    image.load()
    return image


def chunk(kind: bytes, body: bytes) -> bytes:
    """A part of a PNG."""
    check = struct.pack(">I", zlib.crc32(kind + body))
    return struct.pack(">I", len(body)) + kind + body + check


def png(width: int, height: int, packed: bytes, *more: bytes, header: bytes | None = None) -> bytes:
    """A PNG in grey with the packed rows that are given, and further parts."""
    told = header or struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    parts = [chunk(b"IHDR", told), *more, chunk(b"IDAT", packed), chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)
