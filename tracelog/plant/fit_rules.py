"""Which fits of tools contradict each other.

A fit holds its tool and its place (position of a machine) at the instant of fitting and from then
on up to its removal, the instant of removal left out. While the removal is not known, only the
instant of fitting is certain: a later fit of the same tool or in the same place says that it was
out by then, and is no contradiction. Two fits contradict each other if they certainly hold the
same tool, or the same place, at one instant.

Filling in a removal only ever adds to what is certain, and every pair is judged by itself. So
facts that agree once they are complete are all accepted in any order and in any state of
completeness on the way.
"""

import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Fit:
    """A tool in a position of a machine; `removed_at` None: not known."""

    tool_id: uuid.UUID
    machine_id: uuid.UUID
    position: str
    fitted_at: datetime
    removed_at: datetime | None

    def holds_at(self, moment: datetime) -> bool:
        """Whether the tool was certainly in its place then."""
        if moment == self.fitted_at:
            return True
        return self.removed_at is not None and self.fitted_at <= moment < self.removed_at


def meet(one: Fit, other: Fit) -> bool:
    """Whether both fits certainly hold at one instant."""
    return one.holds_at(other.fitted_at) or other.holds_at(one.fitted_at)


class Fits:
    """Fits that are known, found by tool and by place."""

    def __init__(self) -> None:
        self._by_tool: dict[uuid.UUID, dict[datetime, Fit]] = defaultdict(dict)
        self._by_place: dict[tuple[uuid.UUID, str], dict[tuple[uuid.UUID, datetime], Fit]]
        self._by_place = defaultdict(dict)

    @property
    def tool_ids(self) -> list[uuid.UUID]:
        """Tools of the fits that are known."""
        return list(self._by_tool)

    def put(self, fit: Fit) -> None:
        """Take a fit in; it replaces what was known of the same tool fitted at the same instant."""
        self._by_tool[fit.tool_id][fit.fitted_at] = fit
        place = self._by_place[fit.machine_id, fit.position]
        place[fit.tool_id, fit.fitted_at] = fit

    def same_tool_elsewhere(self, fit: Fit) -> Fit | None:
        """A fit of the same tool that contradicts `fit`, other than `fit` itself."""
        for known in self._by_tool[fit.tool_id].values():
            if known.fitted_at != fit.fitted_at and meet(known, fit):
                return known
        return None

    def other_tool_in_place(self, fit: Fit) -> Fit | None:
        """A fit of another tool in the same place that contradicts `fit`."""
        for known in self._by_place[fit.machine_id, fit.position].values():
            if known.tool_id != fit.tool_id and meet(known, fit):
                return known
        return None
