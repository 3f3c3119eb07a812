"""Node ids of OPC UA as their text names them (OPC UA part 6, 5.3.1.10; from memory)."""

import base64
import re
import uuid
from collections.abc import Callable
from dataclasses import dataclass

from tracelog.language import _

# OPC UA part 3, table on NodeId: a text has at most 4096 characters (from memory).
_LONGEST = 4096
_NODE = re.compile(r"(?:ns=([0-9]{1,5});|nsu=([^;]+);)?([isgb])=(.+)", re.ASCII | re.DOTALL)


@dataclass(frozen=True)
class NodeAddress:
    """A node as its text names it: ``ns=2;s=Line 3/BM 7``, ``nsu=urn:plant:plc;i=1007``.

    `space` is the index of the namespace, or its URI; an index may change when the server is set
    up anew, a URI does not.
    """

    space: int | str
    identifier: int | str | uuid.UUID | bytes

    @property
    def text(self) -> str:
        """The one way to write it."""
        kind, value = "s", str(self.identifier)
        if isinstance(self.identifier, int):
            kind = "i"
        elif isinstance(self.identifier, uuid.UUID):
            kind = "g"
        elif isinstance(self.identifier, bytes):
            kind, value = "b", base64.b64encode(self.identifier).decode("ascii")
        name = "nsu" if isinstance(self.space, str) else "ns"
        prefix = f"{name}={self.space};" if self.space else ""
        return f"{prefix}{kind}={value}"


def read_node(text: object) -> NodeAddress:
    """Read the text of a node id, every sign as it stands.

    Raises:
        ValueError: not one, with the sentence to show.
    """
    found = _NODE.fullmatch(text) if isinstance(text, str) and len(text) <= _LONGEST else None
    if found is None or not found.string.isprintable():
        raise ValueError(_not_a_node(text))
    index, uri, kind, value = found.groups()
    if index and int(index) > 65535:
        raise ValueError(_not_a_node(text))
    try:
        identifier = _IDENTIFIERS[kind](value)
    except ValueError:
        raise ValueError(_not_a_node(text)) from None
    return NodeAddress(uri or int(index or 0), identifier)


def _not_a_node(text: object) -> str:
    return _(
        "'%(text)s' is not a node id; write it such as ns=2;s=Line3.Strokes or ns=2;i=1007, as"
        " --list prints it",
        text=str(text)[:60],
    )


def _number(value: str) -> int:
    if not value.isdecimal() or not value.isascii() or not 0 <= int(value) < 2**32:
        raise ValueError
    return int(value)


_IDENTIFIERS: dict[str, Callable[[str], int | str | uuid.UUID | bytes]] = {
    "i": _number,
    "s": str,
    "g": uuid.UUID,
    "b": lambda value: base64.b64decode(value, validate=True),
}
