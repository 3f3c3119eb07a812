"""Strict reading of one TOML file of the reference data into frozen dataclasses."""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

from tracelog.errors import TracelogError
from tracelog.language import _

Row = TypeVar("Row")
Table = dict[str, Any]


class FaultyReference(TracelogError):
    """A file of the reference data is missing, cannot be read, or contradicts itself."""

    status = 500


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _is_number(value: Any) -> bool:
    return _is_whole(value) or (isinstance(value, float) and 0 <= value < float("inf"))


def _is_texts(value: Any) -> bool:
    return isinstance(value, list) and all(_is_text(item) for item in value)


def _is_pairs(value: Any) -> bool:
    return isinstance(value, list) and all(_is_texts(pair) and len(pair) == 2 for pair in value)


# For each type a field may have: does the TOML value fit, what is asked for, how it is kept.
_KINDS: dict[Any, tuple[Callable[[Any], bool], str, Callable[[Any], Any]]] = {
    str: (_is_text, "a text that is not blank", str.strip),
    bool: (lambda value: isinstance(value, bool), "true or false", bool),
    int: (_is_whole, "a whole number, 0 or more", int),
    int | None: (_is_whole, "a whole number, 0 or more", int),
    float: (_is_number, "a number, 0 or more", float),
    float | None: (_is_number, "a number, 0 or more", float),
    tuple[str, ...]: (_is_texts, "a list of texts", tuple),
    tuple[tuple[str, str], ...]: (
        _is_pairs,
        "a list of pairs of texts",
        lambda pairs: tuple(tuple(pair) for pair in pairs),
    ),
}


def row_of(kind: type[Row], table: Any, where: str, made: Mapping[str, Any] | None = None) -> Row:
    """Make one `kind` of one TOML table: no field unknown, none missing, each of its type.

    Args:
        kind: a dataclass whose fields are text, numbers, truth values, lists or pairs of texts.
        table: the TOML table.
        where: file and row, to begin a fault's sentence with.
        made: fields that the caller has already made and checked.

    Raises:
        FaultyReference: naming the first field that is wrong and what would be right.
    """
    if not isinstance(table, dict):
        raise FaultyReference(_("%(where)s: is missing or not a table", where=where))
    values: Table = dict(made or {})
    hints = get_type_hints(kind)
    for name in table:
        if name not in hints or name in values:
            raise FaultyReference(
                _("%(where)s: %(field)s is not a known field", where=where, field=name)
            )
    for wanted in fields(kind):  # type: ignore[arg-type]
        name = wanted.name
        if name in values or (name not in table and wanted.default is not MISSING):
            continue
        if name not in table:
            raise FaultyReference(_("%(where)s: %(field)s is missing", where=where, field=name))
        fits, asked, keep = _KINDS[hints[name]]
        if not fits(table[name]):
            raise FaultyReference(
                _("%(where)s: %(field)s should be %(asked)s", where=where, field=name, asked=asked)
            )
        values[name] = keep(table[name])
    return kind(**values)


class ReferenceFile:
    """One TOML file, its tables read as rows; faults name the file and the row."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name = name
        try:
            self._tables: Table = tomllib.loads((folder / name).read_text("utf-8"))
        except OSError as fault:
            raise FaultyReference(
                _("%(file)s: cannot be read: %(why)s", file=name, why=fault.strerror or fault)
            ) from fault
        except ValueError as fault:
            raise FaultyReference(
                _("%(file)s: is not valid TOML in UTF-8: %(why)s", file=name, why=fault)
            ) from fault

    def text(self, key: str) -> str:
        """The text at the top of the file under `key`."""
        value = self._tables.get(key)
        if not isinstance(value, str) or not value.strip():
            raise FaultyReference(
                _("%(file)s: %(field)s is missing or blank", file=self.name, field=key)
            )
        return value.strip()

    def single(self, kind: type[Row], key: str) -> Row:
        """The one table [key] as a `kind`."""
        return row_of(kind, self._tables.get(key), f"{self.name}: [{key}]")

    def rows(
        self,
        kind: type[Row],
        key: str,
        *named_by: str,
        prepare: Callable[[Table, str], tuple[Table, Table]] | None = None,
    ) -> tuple[Row, ...]:
        """Every table [[key]] as a `kind`, in the order of the file.

        Args:
            kind: the dataclass to make.
            key: the name of the array of tables.
            named_by: the fields that name a row; no two rows may share them.
            prepare: splits a table, given where it stands, into what is still to be checked and
                the fields it has made itself.

        Raises:
            FaultyReference: naming the row and what would be right.
        """
        found = self._tables.get(key)
        if not isinstance(found, list) or not found:
            raise FaultyReference(
                _("%(file)s: there should be at least one [[%(key)s]]", file=self.name, key=key)
            )
        made: dict[str, Row] = {}
        for number, table in enumerate(found, start=1):
            names = [table.get(name) for name in named_by] if isinstance(table, dict) else []
            known = [name for name in names if isinstance(name, str)]
            label = " ".join(known) if known else _("number %(number)d", number=number)
            where = f"{self.name}: {key} {label}"
            if label in made:
                raise FaultyReference(_("%(where)s stands twice", where=where))
            rest, ready = prepare(table, where) if prepare else (table, {})
            made[label] = row_of(kind, rest, where, ready)
        return tuple(made.values())
