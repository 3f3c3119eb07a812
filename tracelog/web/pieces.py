"""Pieces of pages that are the same for many visitors, kept while what they show stays the same."""

import threading
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

Piece = TypeVar("Piece")
# A page of the Floor is some tens of kilobytes.
_MOST = 256


class Pieces:
    """What this process has made for one version of what is shown; another version ends it.

    A version names everything that the pieces depend on and that can change: what was read, and
    the time that is shown. Whoever asks has read it in the same snapshot as what the piece is made
    of, so that a write is seen by the next request, whichever process it came through.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._version: Hashable = None
        self._made: dict[Hashable, Any] = {}

    def piece(self, version: Hashable, name: Hashable, make: Callable[[], Piece]) -> Piece:
        """A piece as it was made for this version, or made now.

        Args:
            version: of what is shown; compared as a whole.
            name: tells pieces of one version apart: what it is, and for whom.
            make: makes it.
        """
        with self._lock:
            if self._version == version and name in self._made:
                found: Piece = self._made[name]
                return found
        made = make()
        with self._lock:
            if self._version != version or len(self._made) >= _MOST:
                self._version = version
                self._made.clear()
            self._made[name] = made
        return made
