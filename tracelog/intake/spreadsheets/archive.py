"""What a spreadsheet archive may hold before anything in it is read (ECMA-376, a ZIP of XML)."""

import io
import lzma
import struct
import zipfile
import zlib

from tracelog.errors import TracelogError
from tracelog.language import _

MOST_UNPACKED_BYTES = 150 * 1024 * 1024
MOST_MEMBERS = 2_000
_PIECE = 1 << 20
# Neither stands in any spreadsheet; both can make a reader of XML fetch or multiply text.
_FORBIDDEN = (b"<!DOCTYPE", b"<!ENTITY")
# What reading raises where bytes were changed: places before the start and sizes that no piece
# has, and each way of packing its own.
UNREADABLE = (
    *(zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error),
    *(NotImplementedError, EOFError, OSError, ValueError, OverflowError, RuntimeError),
)
_OVERLAP = max(map(len, _FORBIDDEN)) * 2


def demand_harmless(content: bytes) -> None:
    """Refuse an archive that unpacks to too much, or whose XML declares types or entities.

    Every member is unpacked once, piece by piece, and thrown away; what its directory claims about
    sizes is not believed.

    Raises:
        TracelogError: with what is wrong.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
            if len(members) > MOST_MEMBERS:
                raise TracelogError(_("holds too many parts to be a spreadsheet"), "file")
            if "xl/workbook.xml" not in archive.namelist():
                raise TracelogError(
                    _(
                        "is an archive, but no .xlsx; open it in the spreadsheet program and save"
                        " it as .xlsx or .csv"
                    ),
                    "file",
                )
            unpacked = 0
            for member in members:
                if member.flag_bits & 1:
                    raise TracelogError(
                        _("is protected by a password; save it without one"), "file"
                    )
                unpacked += _look_into(archive, member, MOST_UNPACKED_BYTES - unpacked)
    except UNREADABLE as problem:
        raise TracelogError(
            _("is damaged and cannot be unpacked; save it once more and send that"), "file"
        ) from problem


def _look_into(archive: zipfile.ZipFile, member: zipfile.ZipInfo, allowed: int) -> int:
    """How many bytes a member unpacks to.

    Raises:
        TracelogError: more than are allowed, or forbidden XML.
    """
    size, tail = 0, b""
    with archive.open(member) as part:
        while piece := part.read(_PIECE):
            size += len(piece)
            if size > allowed:
                raise TracelogError(
                    _(
                        "unpacks to more than %(most)d MB; split the sheet, or bring it as a CSV"
                        " file with tracelog import",
                        most=MOST_UNPACKED_BYTES // 2**20,
                    ),
                    "file",
                )
            # UTF-16 writes these letters with zeros between them.
            seen = (tail + piece).replace(b"\0", b"")
            if any(word in seen for word in _FORBIDDEN):
                raise TracelogError(
                    _("declares types or entities in its XML, which no spreadsheet does"), "file"
                )
            tail = piece[-_OVERLAP:]
    return size
