"""Which machine an entry counts for: the dome code as read, at the time the can was made."""

import uuid
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from tracelog.plant.dome_code import DomeCode, parse_dome_code
from tracelog.plant.queries import Directory, MachineView


@dataclass(frozen=True)
class Settled:
    """What a dome code as read says at an instant.

    Attributes:
        candidates: bodymakers whose cans can bear the code.
        machine_id: the only candidate, None while there are several or none.
        line_id: the line of all candidates; without any, the line that the code names.
    """

    candidates: tuple[MachineView, ...]
    machine_id: uuid.UUID | None
    line_id: uuid.UUID | None


def known_by(directory: Directory, as_of: datetime | None) -> Directory:
    """The directory with the dome codes as they were known at an instant.

    What began later is left out; an end that lies later is not known yet.
    """
    if as_of is None:
        return directory
    known = tuple(
        replace(one, valid_to=None) if one.valid_to is not None and one.valid_to > as_of else one
        for one in directory.overrides
        if one.valid_from <= as_of
    )
    return replace(directory, overrides=known)


class Settler:
    """Settles many entries against one directory.

    Between two instants at which a recorded dome code begins or ends, a code means the same; so
    each code is looked up once for each such stretch, however many entries bear it.
    """

    def __init__(self, directory: Directory) -> None:
        self._directory = directory
        self._turns = sorted(_turns(directory))
        self._settled: dict[tuple[str | None, int], Settled] = {}

    def settle(self, code: str | None, moment: datetime) -> Settled:
        """What the code means for a can made at `moment`.

        Args:
            code: canonical text of the dome code as read, None if nothing could be read.
            moment: UTC.
        """
        key = (code, bisect_right(self._turns, moment))
        found = self._settled.get(key)
        if found is None:
            read = parse_dome_code(code) if code is not None else None
            found = self._settled[key] = self._look_up(read, moment)
        return found

    def _look_up(self, read: DomeCode | None, moment: datetime) -> Settled:
        candidates = tuple(self._directory.candidates(read, moment))
        lines = {machine.line_id for machine in candidates}
        line_id = None
        if len(lines) == 1:
            line_id = next(iter(lines))
        elif not lines and read is not None and "?" not in read.line:
            line_id = self._directory.lines.get(int(read.line))
        machine_id = candidates[0].id if len(candidates) == 1 else None
        return Settled(candidates, machine_id, line_id)


def _turns(directory: Directory) -> Iterable[datetime]:
    for override in directory.overrides:
        yield override.valid_from
        if override.valid_to is not None:
            yield override.valid_to
