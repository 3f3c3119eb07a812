"""PNG without its metadata: its header, palette, transparency, colour and rows.

The rows are unpacked to count them, never further than the header's size says, so that a small
file cannot stand for a picture larger than it tells (ISO/IEC 15948).
"""

import zlib

from tracelog.defects.photos.parts import BadPicture, demand, exactly

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_KEPT = frozenset({b"IHDR", b"PLTE", b"tRNS", b"gAMA", b"sRGB", b"IDAT", b"IEND"})
# Channels of each colour type, and the depths that each may have.
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_DEPTHS = {
    0: (1, 2, 4, 8, 16),
    2: (8, 16),
    3: (1, 2, 4, 8),
    4: (8, 16),
    6: (8, 16),
}
# Adam7: first column, first row, step of columns, step of rows.
_PASSES = (
    *((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4)),
    *((0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)),
)


def clean_png(content: bytes, most_side: int, most_pixels: int) -> tuple[bytes, int, int]:
    """The picture without metadata, its width and its height in pixels.

    Args:
        content: of the file.
        most_side, most_pixels: a larger picture is not unpacked; the caller refuses it.

    Raises:
        BadPicture: it is broken.
    """
    kept, rows, header, place = [PNG_SIGNATURE], [], b"", len(PNG_SIGNATURE)
    kind = b""
    while kind != b"IEND":
        length = int.from_bytes(exactly(content, place, 4), "big")
        kind = exactly(content, place + 4, 4)
        body = exactly(content, place + 8, length)
        check = int.from_bytes(exactly(content, place + 8 + length, 4), "big")
        demand(zlib.crc32(kind + body) == check, "a part of it does not fit its check sum")
        demand((kind == b"IHDR") == (not header), "its header is not its first part, once")
        header = header or body
        # A small first letter: a part that may be left out.
        demand(kind in _KEPT or bool(kind[0] & 0x20), "it has a part that is not known")
        if kind == b"IDAT":
            rows.append(body)
        if kind in _KEPT:
            kept.append(content[place : place + 12 + length])
        place += 12 + length
    width, height = int.from_bytes(header[:4], "big"), int.from_bytes(header[4:8], "big")
    if 0 < width <= most_side and 0 < height <= most_side and width * height <= most_pixels:
        _demand_rows(b"".join(rows), _unpacked_size(header, width, height))
    return b"".join(kept), width, height


def _unpacked_size(header: bytes, width: int, height: int) -> int:
    """Bytes of all rows with their filter bytes, as the header tells them."""
    demand(len(header) == 13, "its header has another length")
    depth, colour, packing, filtering, interlaced = header[8:]
    demand(depth in _DEPTHS.get(colour, ()), "its colours are of a kind that does not exist")
    demand(packing == filtering == 0 and interlaced in (0, 1), "it is packed in an unknown way")
    bits = depth * _CHANNELS[colour]
    if not interlaced:
        return height * (1 + (width * bits + 7) // 8)
    total = 0
    for column, row, columns, rows in _PASSES:
        wide, high = -(-(width - column) // columns), -(-(height - row) // rows)
        total += high * (1 + (wide * bits + 7) // 8) if wide > 0 and high > 0 else 0
    return total


def _demand_rows(packed: bytes, size: int) -> None:
    """Unpack at most one byte more than there should be, in pieces that are thrown away."""
    unpacking, left, found = zlib.decompressobj(), packed, 0
    try:
        while not unpacking.eof and found <= size:
            piece = unpacking.decompress(left, 1 << 20)
            left = unpacking.unconsumed_tail
            found += len(piece)
            if not piece and not left:
                break
    except zlib.error:
        raise BadPicture("its content cannot be unpacked") from None
    demand(found == size and unpacking.eof, "its content is not as large as its header says")
    demand(not unpacking.unused_data, "something stands behind its content")
