"""What is signed when one crew hands over to the next."""

from enum import StrEnum
from typing import Annotated, ClassVar

from tracelog.facts import Fact, Instant, Note, RowId, one_of


class Side(StrEnum):
    """Who signs: the crew that goes, or the one that takes over what it said."""

    OUTGOING = "outgoing"
    INCOMING = "incoming"


class SignatureFact(Fact):
    """A signature of one side of a shift.

    `at` is any instant of the shift that ends. `having_read` is the id of the outgoing signature
    whose words the incoming crew has read; only that side gives it.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    at: Instant
    side: Annotated[Side, one_of(Side)]
    words: Note | None = None
    having_read: RowId | None = None
