"""How long to wait after attempts to sign in that failed: pure decisions.

Four things are counted, each by itself: attempts in a browser in which that person has signed in
before; for one name from one address; from one address, whatever the name; for one name, wherever
from. Whoever comes from a known browser is held up by the first alone, and from a known address not
by the last: so that nobody can keep a person out by failing for their name from elsewhere.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address, ip_network
from types import MappingProxyType

FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=15)
# How long a browser and an address are known after somebody signed in there.
DEVICE_KNOWN_FOR = timedelta(days=400)
ADDRESS_KNOWN_FOR = timedelta(days=90)
# After so long nothing is left of any count.
FORGOTTEN_AFTER = timedelta(days=2)


@dataclass(frozen=True)
class Limit:
    """How many failures cost nothing, and after how long one of them is forgiven."""

    free: int
    forgiven_every: timedelta


LIMITS = MappingProxyType(
    {
        "device": Limit(5, timedelta(minutes=15)),
        "name from address": Limit(5, timedelta(minutes=15)),
        "address": Limit(60, timedelta(seconds=30)),
        "name": Limit(30, timedelta(minutes=10)),
        # The present password, asked for again within a session.
        "proof": Limit(5, timedelta(minutes=15)),
    }
)


def level_at(level: float, counted_at: datetime, now: datetime, limit: Limit) -> float:
    """What is left of a count, some of which was forgiven since.

    Args:
        level: as of `counted_at`.
        counted_at: UTC; where it lies ahead, as after a clock was set back, nothing is forgiven.
        now: UTC.
        limit: of what is counted.
    """
    elapsed = max(now - counted_at, timedelta(0))
    return max(level - elapsed / limit.forgiven_every, 0.0)


def wait_after(level: float, limit: Limit) -> timedelta:
    """How long to wait at a level: nothing at first, then twice as long each time.

    Example:
        >>> [wait_after(level, LIMITS["device"]).seconds for level in (4, 5, 6, 7, 40)]
        [0, 30, 60, 120, 900]
    """
    if level < limit.free:
        return timedelta(0)
    doubled: int = 2 ** min(int(level) - limit.free, 10)
    return min(FIRST_WAIT * doubled, LONGEST_WAIT)


def place_of(address: str) -> str:
    """The address under which attempts are counted: whoever has one of IPv6 has its whole /64.

    Example:
        >>> place_of("2001:db8::7:1"), place_of("192.0.2.7"), place_of("unknown")
        ('2001:db8::/64', '192.0.2.7', 'unknown')
    """
    try:
        found = ip_address(address)
    except ValueError:
        return address[:60]
    if isinstance(found, IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ip_network((found, 64), strict=False))
    return str(found)
