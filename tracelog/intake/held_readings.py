"""What a collector holds until the database has it: little memory, however long that takes."""

import threading
from collections import deque
from collections.abc import Iterable

from tracelog.intake.arrivals import Arrival, CollectedReading
from tracelog.intake.reject_rules import Reject
from tracelog.intake.thinning import halved

# A day of one machine's readings, one a minute, and some.
MOST_OF_MACHINE = 2000
MOST_REJECTS = 1000
MOST_AT_ONCE = 5000


class HeldReadings:
    """Readings and rejects that are not kept yet; several threads may use it.

    When a machine has too many, every other reading that can be spared goes, the older ones
    thereby more often: the counter adds up, so that no stroke is lost, only the hour of some.

    Args:
        most: readings held of a machine.
    """

    def __init__(self, most: int = MOST_OF_MACHINE) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._readings: dict[tuple[int, int], list[CollectedReading]] = {}
        self._rejects: deque[Reject] = deque(maxlen=MOST_REJECTS)

    def __len__(self) -> int:
        with self._lock:
            return len(self._rejects) + sum(len(held) for held in self._readings.values())

    def add(self, arrivals: Iterable[CollectedReading | Reject]) -> None:
        """Hold more; readings of one machine in order of time."""
        with self._lock:
            for one in arrivals:
                if isinstance(one, Reject):
                    self._rejects.append(one)
                    continue
                machine = (one.fact.line, one.fact.bodymaker)
                held = self._readings.setdefault(machine, [])
                held.append(one)
                if len(held) > self._most:
                    # Where nothing can be spared the oldest go: a counter that only jumps.
                    self._readings[machine] = halved(held)[-self._most :]

    def some(self) -> list[Arrival]:
        """What is held, or a part of it, machine by machine; it goes on being held."""
        with self._lock:
            held: list[Arrival] = [*self._rejects]
            for readings in self._readings.values():
                held += readings
            return held[:MOST_AT_ONCE]

    def forget(self, kept: Iterable[Arrival]) -> None:
        """Hold these no longer, since the database has them."""
        done = {id(one) for one in kept}
        with self._lock:
            self._rejects = deque(
                (one for one in self._rejects if id(one) not in done), maxlen=MOST_REJECTS
            )
            for machine, held in list(self._readings.items()):
                self._readings[machine] = [one for one in held if id(one) not in done]
