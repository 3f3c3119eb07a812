"""Where a webhook may lead: what an address must look like, and which networks it may reach.

Whoever subscribes makes this computer call an address of their choice. It must not become a way
to what only this computer, or only its network card, can reach. So names are resolved once, every
address that they stand for is checked, and the call goes to the checked address itself.
"""

import socket
from dataclasses import dataclass
from enum import StrEnum
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address
from urllib.parse import urlsplit

from tracelog.errors import TracelogError
from tracelog.language import _

# NAT64 (RFC 6052): the last 32 bits are an IPv4 address.
_NAT64 = IPv6Network("64:ff9b::/96")


class Reach(StrEnum):
    """How far webhooks may reach: the setting TRACELOG_WEBHOOK_REACH.

    `public`: addresses of the internet; `plant`: those of private networks too; `any`: also
    programs on this computer. Link-local addresses, behind which networks keep what they tell
    their computers in confidence, are never called.
    """

    PUBLIC = "public"
    PLANT = "plant"
    ANY = "any"


@dataclass(frozen=True)
class Target:
    """An address taken apart; `path` has the query in it."""

    is_encrypted: bool
    host: str
    port: int
    path: str


def read_target(url: str) -> Target:
    """Take the address of a webhook apart.

    Raises:
        TracelogError: it is none that is called; at the field ``address``.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme not in {"http", "https"} or not parts.hostname or " " in url:
        sentence = _("is not the address of a webhook; write it such as https://plant.example/in")
        raise TracelogError(sentence, "address")
    if parts.username is not None or parts.password is not None:
        sentence = _("holds a name or password; leave it out, messages are signed instead")
        raise TracelogError(sentence, "address")
    if parts.fragment or "#" in url or not url.isascii() or not url.isprintable():
        raise TracelogError(_("has signs in it that no address of a webhook has"), "address")
    is_encrypted = parts.scheme == "https"
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(is_encrypted, parts.hostname, port or (443 if is_encrypted else 80), path)


def is_address(host: str) -> bool:
    """Whether a host is an IP address and no name."""
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def may_reach(address: str, reach: Reach) -> bool:
    """Whether an IP address may be called.

    Example:
        >>> may_reach("192.168.4.7", Reach.PLANT), may_reach("169.254.169.254", Reach.ANY)
        (True, False)
    """
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return False
    inner = _inner(found)
    if inner is not None:
        return may_reach(str(inner), reach)
    if found.is_loopback:
        return reach is Reach.ANY
    if found.is_link_local or found.is_multicast or found.is_unspecified:
        return False
    if isinstance(found, IPv6Address) and found.is_site_local:
        return reach is not Reach.PUBLIC
    if found.is_global:
        return True
    if found.is_reserved:
        return False
    return reach is not Reach.PUBLIC


def _inner(found: IPv4Address | IPv6Address) -> IPv4Address | None:
    """The IPv4 address within an IPv6 one that only wraps it."""
    if isinstance(found, IPv4Address):
        return None
    if found in _NAT64:
        return IPv4Address(int(found) & 0xFFFFFFFF)
    teredo = found.teredo
    return found.ipv4_mapped or found.sixtofour or (teredo[1] if teredo else None)


def checked_addresses(target: Target, reach: Reach) -> tuple[str, ...]:
    """The IP addresses to call, in order, looked up once; all of them must be allowed.

    Raises:
        TracelogError: the name stands for nothing, or for something that must not be called.
    """
    try:
        found = socket.getaddrinfo(target.host, target.port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise TracelogError(
            _("%(host)s is no name that can be found; look at the address", host=target.host)
        ) from None
    addresses = tuple(dict.fromkeys(str(one[4][0]) for one in found))
    for address in addresses:
        if not may_reach(address, reach):
            raise TracelogError(
                _(
                    "%(host)s leads to %(address)s, which webhooks may not call here;"
                    " TRACELOG_WEBHOOK_REACH says how far they reach",
                    host=target.host,
                    address=address,
                )
            )
    return addresses
