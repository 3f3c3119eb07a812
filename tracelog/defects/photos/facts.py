"""What is said of a photo."""

import base64
import binascii
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, WithJsonSchema

from tracelog.facts import Fact, RowId
from tracelog.language import _


def _bytes(value: Any) -> bytes:
    if isinstance(value, bytes):
        return value
    try:
        return base64.b64decode(value, validate=True)
    except (binascii.Error, TypeError, ValueError):
        raise ValueError(_("is not base64 (RFC 4648); send the file's bytes that way")) from None


Content = Annotated[
    bytes,
    BeforeValidator(_bytes),
    WithJsonSchema({"type": "string", "contentEncoding": "base64"}),
]


class PhotoFact(Fact):
    """A picture of a finding, or without `entry` of something else such as a complaint."""

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId | None = None
    entry: RowId | None = None
    photo: Content
