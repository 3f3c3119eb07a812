"""Counts the statements that reach a database, so that a query per row shows itself."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Engine, event

# What frames a transaction is not a question to the tables.
FRAME = ("SAVEPOINT", "RELEASE SAVEPOINT", "ROLLBACK", "BEGIN", "COMMIT", "PRAGMA")


class Statements:
    """The statements sent to `engine` since it was made or last cleared.

    Attributes:
        texts: of each, in order.
        values: of each, as the driver got them.

    Example:
        >>> with statements.counted() as sent:  # doctest: +SKIP
        ...     machines_on_the_floor(session)
        >>> assert len(sent) == 3
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.texts: list[str] = []
        self.values: list[Any] = []
        event.listen(engine, "before_cursor_execute", self._note)

    def __len__(self) -> int:
        return len(self.texts)

    def clear(self) -> None:
        """Forget what was sent so far."""
        self.texts.clear()
        self.values.clear()

    def close(self) -> None:
        """Stop listening."""
        event.remove(self._engine, "before_cursor_execute", self._note)

    @contextmanager
    def counted(self) -> Iterator[list[str]]:
        """The statements sent inside the block, in order."""
        before = len(self.texts)
        sent: list[str] = []
        yield sent
        sent.extend(self.texts[before:])

    def _note(
        self, connection: Any, cursor: Any, text: str, values: Any, context: Any, many: bool
    ) -> None:
        if not text.lstrip().upper().startswith(FRAME):
            self.texts.append(text)
            self.values.append(values)
