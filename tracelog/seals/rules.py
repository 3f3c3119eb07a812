"""Which table is sealed how. Pure."""

from enum import Enum


class Way(Enum):
    """How the rows of a table are sealed."""

    ROW = "row"
    """Each row by itself, in the chain."""

    RECORD = "record"
    """Rows that come by the million and never change: together, for each audit record."""

    LOOSE = "loose"
    """Each row by itself, replaced in place: what changes all day without an audit record."""

    NOT = "not"
    """Derived from the facts, which `tracelog check` does anew; or a chain by itself."""


# A name of a table that is nowhere here is sealed row by row.
RECORD_TABLES = frozenset({"readings", "entries"})
LOOSE_TABLES = frozenset(
    {
        *("sessions", "sign_in_counts", "known_devices", "tablet_people", "tablets", "screens"),
        *("outbox", "outbox_attempts", "notices", "webhooks"),
        *("rejected_messages", "signal_progress"),
    }
)
DERIVED_TABLES = (
    *("stroke_hours", "counter_questions", "current_entries", "entry_tallies"),
    *("signal_epochs", "signal_baselines", "signals"),
)
CHAINS = frozenset({"audit_records", "seal_batches", "row_seals"})


def way_of(table: str) -> Way:
    """How the rows of a table of that name are sealed."""
    if table in RECORD_TABLES:
        return Way.RECORD
    if table in LOOSE_TABLES:
        return Way.LOOSE
    if table in DERIVED_TABLES or table in CHAINS:
        return Way.NOT
    return Way.ROW
