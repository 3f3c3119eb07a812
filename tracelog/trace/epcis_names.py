"""Identifiers for EPCIS events: of pallets, coils, cans, places and events.

GS1 EPCIS 2.0 and its Core Business Vocabulary (CBV 2.0) take any URI. A pallet whose number is a
Serial Shipping Container Code (SSCC, 18 digits with a right check digit: GS1 General
Specifications, section 7.9) is named by its GS1 Digital Link. Everything else gets a private name:
a path below the plant's own base, in the manner of the CBV's private identifiers (`obj`, `class`,
`loc`), or, where the plant has set none, `urn:uuid:` of its id.
"""

import uuid
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote, urlsplit

from tracelog.errors import TracelogError
from tracelog.instants import write_instant
from tracelog.language import _

_DIGITAL_LINK = "https://id.gs1.org/00/"
_SSCC_DIGITS = 18


@dataclass(frozen=True)
class Names:
    """How things are named; `base` is the plant's own URI without a slash at its end."""

    base: str | None
    plant_id: uuid.UUID

    def pallet(self, number: str, pallet_id: uuid.UUID) -> str:
        """A pallet, by its SSCC if its number is one."""
        digits = sscc_of(number)
        return (
            _DIGITAL_LINK + digits if digits else self._named("obj", f"pallet-{number}", pallet_id)
        )

    def coil(self, number: str, coil_id: uuid.UUID) -> str:
        """A coil."""
        return self._named("obj", f"coil-{number}", coil_id)

    def cans(self, line: int, line_id: uuid.UUID, start: datetime, end: datetime) -> str:
        """The cans that a line made between two instants, as a class."""
        made = f"cans-{line}-{write_instant(start)}-{write_instant(end)}"
        return self._named("class", made, uuid.uuid5(line_id, made))

    def place(self, what: str, name: str, place_id: uuid.UUID) -> dict[str, str]:
        """A place of the plant."""
        return {"id": self._named("loc", f"{what}-{name}" if name else what, place_id)}

    @property
    def terms(self) -> str:
        """Namespace of what the standard has no word for."""
        return f"{self.base or f'urn:uuid:{self.plant_id}'}{'/' if self._is_web else ':'}terms:"

    @property
    def _is_web(self) -> bool:
        return self.base is not None and self.base.startswith("http")

    def _named(self, kind: str, name: str, own_id: uuid.UUID) -> str:
        if self.base is None:
            return f"urn:uuid:{own_id}"
        between = "/" if self._is_web else ":"
        return between.join((self.base, kind, quote(name, safe="-._~")))


def event_id(what: str, own_id: uuid.UUID) -> str:
    """The id of an event: the same whenever the same fact is told again."""
    return f"urn:uuid:{uuid.uuid5(own_id, what)}"


def checked_base(base: str | None) -> str | None:
    """The plant's own base as it is used; None: none is set.

    Raises:
        TracelogError: it is neither http(s) with a host nor a URN.
    """
    if not base:
        return None
    parts = urlsplit(base)
    is_web = parts.scheme in ("http", "https") and bool(parts.netloc)
    is_urn = parts.scheme == "urn" and ":" in parts.path and not parts.path.startswith("uuid:")
    is_plain = not parts.query and not parts.fragment and " " not in base
    if not (is_web or is_urn) or not is_plain:
        raise TracelogError(
            _(
                "TRACELOG_EPCIS_BASE '%(base)s' is no base for identifiers; set an address such as"
                " https://plant.example/epcis or a URN such as urn:example:plant",
                base=base[:80],
            )
        )
    return base.rstrip("/:")


def sscc_of(number: str) -> str | None:
    """The 18 digits of an SSCC, if a pallet's number is one, also written with ``00`` before.

    Example:
        >>> sscc_of("(00) 0 0614141 123456789 0"), sscc_of("W-1")
        ('006141411234567890', None)
    """
    digits = "".join(sign for sign in number if sign not in "() ")
    if len(digits) == _SSCC_DIGITS + 2 and digits.startswith("00"):
        digits = digits[2:]
    if len(digits) != _SSCC_DIGITS or not (digits.isascii() and digits.isdecimal()):
        return None
    return digits if check_digit(digits[:-1]) == int(digits[-1]) else None


def check_digit(digits: str) -> int:
    """The check digit of a GS1 number: weights 3 and 1 from the right, up to the next ten.

    Source: GS1 General Specifications, section 7.9.
    """
    total = sum(
        int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits))
    )
    return -total % 10
