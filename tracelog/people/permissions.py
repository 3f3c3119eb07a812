"""Who may do what: one table, from role to permissions, both in words."""

from types import MappingProxyType

# What everybody with an account may do.
_EVERYBODY = frozenset({"see", "subscribe", "change own secret", "log entry", "correct entry"})
# What leaves the plant's computers, and what became of it.
_SENDING = frozenset({"subscribe webhook", "see deliveries"})
_RUNNING = frozenset(
    {
        "record change",
        "record coil run",
        "record measurement",
        "record pallet",
        "record service",
        "record tool change",
        "plan services",
        "read counter",
        "send readings",
        "set station parts",
        "settle counter",
    }
)

ROLES: tuple[str, ...] = ("operator", "planner", "supervisor", "quality", "administrator")

PERMISSIONS = MappingProxyType(
    {
        "operator": _EVERYBODY | {"record measurement", "read counter"},
        "planner": _EVERYBODY | _RUNNING,
        "supervisor": _EVERYBODY
        | _RUNNING
        | _SENDING
        | {"hold stock", "set baseline", "work on case", "hand over shift", "read audit"},
        "quality": _EVERYBODY
        | {"record change", "record measurement", "record pallet", "hold stock", "release stock"}
        | {"set baseline", "work on case", "read audit"},
        "administrator": _EVERYBODY
        | _RUNNING
        | _SENDING
        | {"set baseline", "work on case", "import data", "manage accounts", "read audit"},
    }
)

EVERY_PERMISSION: frozenset[str] = frozenset().union(*PERMISSIONS.values())


def may(role: str, permission: str) -> bool:
    """Whether a role includes a permission; an unknown role includes nothing."""
    return permission in PERMISSIONS.get(role, frozenset())


def covers(role: str, other: str) -> bool:
    """Whether `role` may do everything that `other` may, so that it can be lent out as it."""
    return other in PERMISSIONS and PERMISSIONS[other] <= PERMISSIONS.get(role, frozenset())
