"""WebP without its metadata: one still picture, with its transparency (RFC 9649)."""

from tracelog.defects.photos.parts import demand, exactly

_ANIMATION, _ALPHA = 0x02, 0x10


def clean_webp(content: bytes) -> tuple[bytes, int, int]:
    """The picture without metadata, its width and its height in pixels.

    Raises:
        BadPicture: it is broken, or moves.
    """
    end = 8 + int.from_bytes(exactly(content, 4, 4), "little")
    demand(12 <= end <= len(content), "it ends too early")
    parts: dict[bytes, bytes] = {}
    place = 12
    while place < end:
        kind = exactly(content, place, 4)
        length = int.from_bytes(exactly(content, place + 4, 4), "little")
        body = exactly(content, place + 8, length)
        demand(place + 8 + length <= end, "a part of it is longer than the whole")
        demand(kind not in (b"ANIM", b"ANMF"), "it moves; only still pictures are kept")
        demand(kind not in parts or kind not in (b"VP8 ", b"VP8L"), "it holds two pictures")
        parts.setdefault(kind, body)
        place += 8 + length + length % 2
    demand((b"VP8 " in parts) != (b"VP8L" in parts), "it holds no picture, or two")
    plain = b"VP8L" in parts
    width, height = _lossless(parts[b"VP8L"]) if plain else _lossy(parts[b"VP8 "])
    kept = []
    if b"VP8X" in parts:
        demand(len(parts[b"VP8X"]) == 10, "its header has another length")
        demand(not parts[b"VP8X"][0] & _ANIMATION, "it moves; only still pictures are kept")
        demand(_canvas(parts[b"VP8X"]) == (width, height), "it tells two sizes")
    if b"ALPH" in parts and not plain:
        flags = bytes((_ALPHA, 0, 0, 0))
        sizes = (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
        kept += [_part(b"VP8X", flags + sizes), _part(b"ALPH", parts[b"ALPH"])]
    name = b"VP8L" if plain else b"VP8 "
    kept.append(_part(name, parts[name]))
    told = b"WEBP" + b"".join(kept)
    return b"RIFF" + len(told).to_bytes(4, "little") + told, width, height


def _part(kind: bytes, body: bytes) -> bytes:
    return kind + len(body).to_bytes(4, "little") + body + b"\0" * (len(body) % 2)


def _canvas(body: bytes) -> tuple[int, int]:
    return int.from_bytes(body[4:7], "little") + 1, int.from_bytes(body[7:10], "little") + 1


def _lossy(body: bytes) -> tuple[int, int]:
    exactly(body, 0, 11)
    demand(not body[0] & 1 and body[3:6] == b"\x9d\x01\x2a", "its content does not begin rightly")
    first = int.from_bytes(body[:3], "little") >> 5
    demand(first + 10 <= len(body), "it ends too early")
    return tuple(int.from_bytes(body[at : at + 2], "little") & 0x3FFF for at in (6, 8))  # type: ignore[return-value]


def _lossless(body: bytes) -> tuple[int, int]:
    exactly(body, 0, 6)
    demand(body[0] == 0x2F and body[4] >> 5 == 0, "its content does not begin rightly")
    sizes = int.from_bytes(body[1:5], "little")
    return (sizes & 0x3FFF) + 1, (sizes >> 14 & 0x3FFF) + 1
