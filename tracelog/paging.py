"""Where a page of a long list ended, so that the next goes on from there.

A list is ordered by an instant, the latest first, and then by id; what is added meanwhile does not
shift its pages.
"""

import base64
import uuid
from datetime import datetime
from zoneinfo import ZoneInfo

from tracelog.errors import TracelogError
from tracelog.instants import parse_instant, write_instant
from tracelog.language import _


def write_place(moment: datetime, row_id: uuid.UUID) -> str:
    """The last row of a page, as a text for an address."""
    text = f"{write_instant(moment)} {row_id}"
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def read_place(after: str) -> tuple[datetime, uuid.UUID]:
    """The last row of the page before.

    Raises:
        TracelogError: it is not from such a page; at the field ``after``.
    """
    try:
        padded = after.encode("ascii") + b"=" * (-len(after) % 4)
        moment, found = base64.urlsafe_b64decode(padded).decode("ascii").split(" ")
        return parse_instant(moment, ZoneInfo("UTC")), uuid.UUID(found)
    except ValueError:
        raise TracelogError(
            _("'%(after)s' is not the end of an earlier page; leave it out", after=after[:40]),
            "after",
        ) from None
