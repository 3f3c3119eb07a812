"""One short query for each of many machines, joined into one statement that is built only once.

To build such a statement takes several times as long as a database takes to answer it.
"""

import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import BindParameter, bindparam, union_all
from sqlalchemy.orm import Session

from tracelog.bulk import pieces

# So many queries a statement holds: few numbers, so that few statements are kept. What is left
# over of one is asked for a machine that does not exist.
_SIZES = (1, 2, 4, 8, 16, 32, 64, 100)
_NO_MACHINE = uuid.UUID(int=0)
_ROWS_AT_ONCE = 20_000


class Place:
    """One of the joined queries: its number, from 0, and the values that it is asked with."""

    def __init__(self, number: int) -> None:
        self.number = number

    def value(self, name: str, **how: Any) -> BindParameter[Any]:
        """The place of a value of this query alone; `how` as for a bind parameter."""
        return bindparam(f"{name}_{self.number}", **how)


class Joined:
    """A query that is asked for many machines at once.

    Args:
        query: makes the query of one place; it must use the value ``machine``, and may use
            others. What is the same in all places it takes as a bind parameter of its own.
    """

    def __init__(self, query: Callable[[Place], Any]) -> None:
        self._query = query
        self._statements: dict[int, Any] = {}

    def rows(
        self,
        session: Session,
        asked: Iterable[Mapping[str, Any]],
        shared: Mapping[str, Any] | None = None,
    ) -> Iterator[Any]:
        """Rows for each of `asked`; one statement for every hundred of them.

        Args:
            session: an open session.
            asked: the values of each place by name.
            shared: values that are the same in all places.
        """
        for piece in pieces(asked, _SIZES[-1]):
            size = next(size for size in _SIZES if size >= len(piece))
            places = [*piece, *[_nobody(piece[0])] * (size - len(piece))]
            values = {
                f"{name}_{number}": value
                for number, one in enumerate(places)
                for name, value in one.items()
            }
            yield from session.execute(
                self._statement(size),
                {**values, **(shared or {})},
                execution_options={"yield_per": _ROWS_AT_ONCE},
            )

    def _statement(self, size: int) -> Any:
        made = self._statements.get(size)
        if made is None:
            queries = [self._query(Place(number)) for number in range(size)]
            joined: Any = union_all(*queries) if size > 1 else queries[0]
            made = self._statements[size] = joined
        return made


def _nobody(one: Mapping[str, Any]) -> dict[str, Any]:
    """Values that find nothing, as few as may be."""
    short = {name: value[:1] if isinstance(value, list) else value for name, value in one.items()}
    return short | {"machine": _NO_MACHINE}


def exists_for(row: Any) -> bool:
    """Whether a row, whose first value is its machine's id, is of a machine that was asked for."""
    return bool(row[0] != _NO_MACHINE)
