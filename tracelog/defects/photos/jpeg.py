"""JPEG without its metadata: the tables, the frame, and the scans; and which side is up.

Kept are the segments that a decoder needs (ISO/IEC 10918-1, annex B), the colour mark of Adobe's
that tells how channels are meant, and, as a segment of our own, the orientation (Exif).
"""

from tracelog.defects.photos.parts import BadPicture, demand, exactly

_FRAMES = frozenset({0xC0, 0xC1, 0xC2})
_TABLES = frozenset({0xC4, 0xDB, 0xDD})
_SCAN, _END, _EXIF, _ADOBE = 0xDA, 0xD9, 0xE1, 0xEE
# Differential, lossless and arithmetic frames, which browsers do not show.
_OTHER_FRAMES = frozenset({0xC3, *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0)})
_ORIENTATION = 0x0112


def clean_jpeg(content: bytes) -> tuple[bytes, int, int]:
    """The picture without metadata, its width and its height in pixels.

    Raises:
        BadPicture: it is broken, or of a kind that browsers do not show.
    """
    kept, orientation, size = [b"\xff\xd8"], 1, None
    place, has_scan = 2, False
    while True:
        marker, place = _marker(content, place)
        if marker == _END:
            break
        length = int.from_bytes(exactly(content, place, 2), "big")
        demand(length >= 2, "a part of it has no length")
        body = exactly(content, place + 2, length - 2)
        place += length
        demand(marker not in _OTHER_FRAMES, "it is of a kind that browsers do not show")
        if marker in _FRAMES:
            demand(size is None, "it holds two pictures")
            size = _size(body)
        if marker == _EXIF:
            orientation = _orientation(body) or orientation
        if _belongs(marker, body):
            kept.append(_segment(marker, body))
        if marker == _SCAN:
            demand(size is not None, "its size is not told before its content")
            end = _scan_end(content, place)
            demand(end > place, "it has no content")
            kept.append(content[place:end])
            place, has_scan = end, True
    demand(has_scan and size is not None, "it has no content")
    if orientation != 1:
        kept.insert(1, _segment(_EXIF, _exif(orientation)))
    width, height = size or (0, 0)
    return b"".join([*kept, b"\xff\xd9"]), width, height


def _belongs(marker: int, body: bytes) -> bool:
    if marker == _ADOBE:
        return len(body) == 12 and body.startswith(b"Adobe")
    return marker in _FRAMES or marker in _TABLES or marker == _SCAN


def _segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(body) + 2).to_bytes(2, "big") + body


def _marker(content: bytes, place: int) -> tuple[int, int]:
    """The marker at a place, and where what belongs to it begins; filling bytes are skipped."""
    demand(exactly(content, place, 1) == b"\xff", "a part of it does not begin where it should")
    while exactly(content, place, 1) == b"\xff":
        place += 1
    marker = content[place]
    demand(marker >= 0xC0 and not 0xD0 <= marker <= 0xD8, "a part of it is not known")
    return marker, place + 1


def _scan_end(content: bytes, place: int) -> int:
    """Where the coded content of a scan ends: at the next marker that is no restart."""
    while True:
        place = content.find(b"\xff", place)
        if place < 0 or place + 1 >= len(content):
            raise BadPicture("it ends too early")
        following = content[place + 1]
        if following == 0xFF:
            place += 1
        elif following == 0 or 0xD0 <= following <= 0xD7:
            place += 2
        else:
            return place


def _size(body: bytes) -> tuple[int, int]:
    exactly(body, 0, 6)
    return int.from_bytes(body[3:5], "big"), int.from_bytes(body[1:3], "big")


def _orientation(body: bytes) -> int | None:
    """The orientation that an Exif segment tells (2 to 8); None: none that is right."""
    if not body.startswith(b"Exif\0\0") or len(body) < 14:
        return None
    told = body[6:]
    order = {b"II": "little", b"MM": "big"}.get(told[:2])
    if order is None:
        return None

    def number(start: int, length: int) -> int:
        return int.from_bytes(told[start : start + length], order)  # type: ignore[arg-type]

    first = number(4, 4)
    for entry in range(first + 2, first + 2 + 12 * min(number(first, 2), 64), 12):
        if entry + 12 > len(told):
            return None
        if number(entry, 2) == _ORIENTATION and number(entry + 2, 2) == 3:
            value = number(entry + 8, 2)
            return value if 1 <= value <= 8 else None
    return None


def _exif(orientation: int) -> bytes:
    """An Exif segment that tells the orientation and nothing else."""
    entry = b"\x01\x12\x00\x03\x00\x00\x00\x01" + orientation.to_bytes(2, "big") + b"\0\0"
    return b"Exif\0\0MM\0\x2a\x00\x00\x00\x08\x00\x01" + entry + b"\0\0\0\0"
