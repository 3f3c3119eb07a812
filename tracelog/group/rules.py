"""The plants of a group, as the file that names them says: pure decisions.

[[plant]]
name = "north"
database_url = "postgresql://reader@centre/north"
pages = "https://north.example"
"""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from tracelog.config import with_driver
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _

# It becomes part of the names of a publication's subscriber and its slot.
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")
_KEYS = frozenset({"name", "database_url", "pages"})
MOST_PLANTS = 64
# Columns with such a word in their name are never published, nor is their table.
_SECRET = re.compile(r"secret|password|token|pin_|_pin|key_hash|attempts|conninfo")
# What concerns one plant alone: who may sign in, on what, and what is sent to whom; its audit trail
# with its chain; uploads on their way in; and pictures, which are large.
KEPT_AT_HOME = frozenset(
    {
        *("accounts", "identities", "known_devices", "sessions", "sign_in_counts", "tokens"),
        *("screens", "tablets", "tablet_people"),
        *("notices", "outbox", "outbox_attempts", "subscriptions", "webhooks"),
        *("audit_records", "row_seals", "seal_batches"),
        *("rejected_messages", "spreadsheet_fixes", "spreadsheet_mappings", "spreadsheet_uploads"),
        *("alembic_version", "photos"),
    }
)


@dataclass(frozen=True)
class GroupPlant:
    """One plant of the group: its name there, its database at the centre, and its own pages."""

    name: str
    database_url: str = field(repr=False)
    pages: str | None = None


def read_group(text: str) -> tuple[GroupPlant, ...]:
    """The plants that a file names, in its order.

    Raises:
        TracelogError: it cannot be read, names none, or one of them wrongly.

    Example:
        >>> text = '[[plant]]\\nname = "north"\\ndatabase_url = "sqlite:///north.db"'
        >>> [plant.name for plant in read_group(text)]
        ['north']
    """
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise TracelogError(_("the group's file is not TOML: %(why)s", why=problem)) from problem
    given = content.pop("plant", None)
    if content or not isinstance(given, list) or not 0 < len(given) <= MOST_PLANTS:
        raise TracelogError(
            _("the group's file has tables [[plant]] and nothing else, one for each plant")
        )
    found = tuple(_plant(one) for one in given)
    names = [one.name for one in found]
    if twice := next((name for name in names if names.count(name) > 1), None):
        raise TracelogError(_("the group's file names the plant %(name)s twice", name=twice))
    return found


def _plant(given: Any) -> GroupPlant:
    fits = isinstance(given, dict) and given.keys() <= _KEYS
    if not fits or not all(isinstance(value, str) for value in given.values()):
        raise TracelogError(
            _("a [[plant]] of the group's file has name, database_url and pages, each a text")
        )
    name, url, pages = given.get("name", ""), given.get("database_url", ""), given.get("pages")
    if not _NAME.fullmatch(name):
        raise TracelogError(
            _(
                "'%(name)s' is no name for a plant of the group; take up to 40 small letters,"
                " digits and _, a letter first, such as north",
                name=name[:60],
            )
        )
    if not url.startswith(("postgresql", "postgres:", "sqlite:")):
        raise TracelogError(
            _(
                "the plant %(name)s needs the address of its database: database_url ="
                ' "postgresql://…"',
                name=name,
            )
        )
    if pages is not None and not pages.startswith(("https://", "http://")):
        raise TracelogError(_("pages of the plant %(name)s begin with https://", name=name))
    return GroupPlant(name, with_driver(url), pages.rstrip("/") if pages else None)


def chosen(plants: Sequence[GroupPlant], name: str | None) -> tuple[GroupPlant, ...]:
    """The plant of a name, or all where none is given.

    Raises:
        NotFound: the group has no such plant.
    """
    if name is None:
        return tuple(plants)
    found = tuple(one for one in plants if one.name == name)
    if not found:
        raise NotFound(
            _(
                "the group has no plant %(name)s; there are %(known)s",
                name=name[:60],
                known=", ".join(one.name for one in plants),
            )
        )
    return found


def is_published(table: str, columns: Sequence[str]) -> bool:
    """Whether a table leaves the plant: never accounts, tokens, PINs or keys.

    >>> is_published("entries", ["id", "seen_at"]), is_published("tokens", ["id", "token_hash"])
    (True, False)
    >>> is_published("gates", ["id", "secret_hash"])
    False
    """
    return table not in KEPT_AT_HOME and not any(_SECRET.search(one) for one in columns)
