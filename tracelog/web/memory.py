"""What a process remembers of the database, as long as the audit trail shows nothing against it.

Every write leaves a record in the trail, in its own transaction. What was read at one position of
the trail therefore still holds at a later one if all records between them are of actions that do
not touch it. Whoever uses what is remembered checks that in the turn to write (`check_in_turn`), so
that a token revoked, or a machine set up, by another process a moment ago is known.
"""

import threading
from collections.abc import Hashable
from typing import Any

from sqlalchemy.orm import Session

from tracelog.audit import Position, only_wrote, take_turn

# Actions that write entries and readings, and nothing that is remembered here.
ADDING = frozenset({"log entries", "record reading", "record readings"})


class Memory:
    """Things by name, with the generation in which they are remembered.

    A generation ends when something else was written: all is forgotten, and what was taken out of
    the memory before is not to be relied on.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._things: dict[Hashable, Any] = {}
        self._at: Position | None = None
        self.generation = 0

    def recall(self, name: Hashable) -> tuple[Any, int]:
        """What is remembered under a name, None if nothing is; and the generation."""
        with self._lock:
            return self._things.get(name), self.generation

    def keep(self, name: Hashable, thing: Any, at: Position) -> int:
        """Remember what was read in one snapshot whose trail ended at `at`.

        Returns:
            The generation.
        """
        with self._lock:
            # An older snapshot may lack what was checked since: then that is checked again.
            if self._at is None or at.sequence < self._at.sequence:
                self._at = at
            self._things[name] = thing
            return self.generation

    def forget(self, name: Hashable) -> None:
        """Have a thing read anew the next time, since it did not serve now."""
        with self._lock:
            self._things.pop(name, None)

    def check_in_turn(self, session: Session) -> int:
        """Wait for the turn; then forget everything if anything but additions was written.

        Args:
            session: one that writes; nothing is written in it yet. It has the turn afterwards.

        Returns:
            The generation that holds as the session sees the database.
        """
        take_turn(session)
        with self._lock:
            since = self._at
        if since is None:
            return self.generation
        holds, last = only_wrote(session, since, ADDING)
        with self._lock:
            if not holds:
                self._things.clear()
                self._at = None
                self.generation += 1
            elif self._at == since:
                self._at = last
            return self.generation
