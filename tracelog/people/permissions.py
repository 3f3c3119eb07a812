"""Who may do what: one table, from role to permissions, both in words."""

from types import MappingProxyType

from tracelog.audit import Actor

# What everybody with an account may do.
_EVERYBODY = frozenset(
    {"see", "subscribe", "change own secret", "change own pin", "end own sessions"}
    | {"log entry", "correct entry"}
)
# Who looks after what others share on the floor.
_FLOOR_KEEPING = frozenset({"share tablet", "reset pin", "make screen"})
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
        "planner": _EVERYBODY | _RUNNING | {"see group"},
        "supervisor": _EVERYBODY
        | _RUNNING
        | _FLOOR_KEEPING
        | _SENDING
        | {"hold stock", "set baseline", "work on case", "hand over shift", "read audit"}
        | {"load spreadsheet", "see group"},
        "quality": _EVERYBODY
        | {"record change", "record measurement", "record pallet", "hold stock", "release stock"}
        | {"set baseline", "work on case", "read audit", "see group"},
        "administrator": _EVERYBODY
        | _RUNNING
        | _FLOOR_KEEPING
        | _SENDING
        | {"set baseline", "work on case", "import data", "manage accounts", "read audit"}
        | {"load spreadsheet", "set up plant", "see group", "see health"},
    }
)

# What a PIN at a shared tablet opens at most: what is done standing at a line. Whatever is not
# named here asks for the password, above all accounts, imported data, and releasing stock.
WITH_PIN = frozenset(
    {
        "see",
        "change own pin",
        "end own sessions",
        "log entry",
        "correct entry",
        "record change",
        "record coil run",
        "record measurement",
        "record pallet",
        "record service",
        "record tool change",
        "read counter",
        "hold stock",
        "work on case",
        "hand over shift",
    }
)

# Names for what a token of a program usually needs; any permission is a scope of its own, too.
SCOPES = MappingProxyType(
    {
        "reading": frozenset({"see"}),
        "logging": frozenset({"see", "log entry", "correct entry"}),
        "counters": frozenset({"see", "send readings", "read counter"}),
        "production": frozenset({"see", "record pallet", "record coil run", "record measurement"}),
        "maintenance": frozenset(
            {"see", "record service", "record tool change", "record change", "plan services"}
        ),
        "monitoring": frozenset({"see health"}),
        "notices": frozenset({"see", "subscribe", "subscribe webhook", "see deliveries"}),
    }
)

EVERY_PERMISSION: frozenset[str] = frozenset().union(*PERMISSIONS.values())


def may(role: str, permission: str) -> bool:
    """Whether a role includes a permission; an unknown role includes nothing."""
    return permission in PERMISSIONS.get(role, frozenset())


def may_act(actor: Actor, permission: str) -> bool:
    """Whether somebody may do that now: by their role, and by how they proved who they are."""
    if actor.scopes is not None and permission not in actor.scopes:
        return False
    return may(actor.role, permission) and (not actor.by_pin or permission in WITH_PIN)


def covers(role: str, other: str) -> bool:
    """Whether `role` may do everything that `other` may, so that it can be lent out as it."""
    return other in PERMISSIONS and PERMISSIONS[other] <= PERMISSIONS.get(role, frozenset())
