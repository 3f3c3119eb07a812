"""In which order the pad offers the kinds of defect: those first that were logged lately."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.defects.models import CurrentEntry
from tracelog.defects.queries import LATELY
from tracelog.defects.rules import Use, latest_first
from tracelog.defects.selecting import Choice, DefectView, EntryFilter, surroundings

_MOST_USES = 4_000


@dataclass(frozen=True)
class Orders:
    """All kinds of defect in order, for the whole plant and for each line."""

    plant: Sequence[DefectView]
    lines: Mapping[int, Sequence[DefectView]]

    def of(self, line: int | None) -> Sequence[DefectView]:
        """The order of a line; of the plant where there is no such line."""
        return self.plant if line is None else self.lines.get(line, self.plant)


def defect_orders(session: Session, now: datetime) -> Orders:
    """Kinds of defect by what was logged in the last 14 days (`rules.recency_weights`).

    Five statements. The latest 4,000 entries count, which a busy plant writes in days; older
    ones weigh next to nothing.

    Args:
        session: an open session.
        now: UTC.
    """
    around = surroundings(session, None)
    choice = Choice.of(EntryFilter(start=now - LATELY), around)
    rows = session.execute(
        select(CurrentEntry.defect_id, CurrentEntry.logged_at, CurrentEntry.line_id)
        .where(*choice.conditions(), CurrentEntry.logged_at <= now)
        .order_by(CurrentEntry.occurred_at.desc(), CurrentEntry.entry_id.desc())
        .limit(_MOST_USES)
    ).all()
    by_code = {one.defect: one for one in around.defects}
    everything: list[Use] = []
    of_lines: dict[int, list[Use]] = {line: [] for line in around.directory.lines}
    for row in rows:
        use = Use(around.by_id[row.defect_id].defect, row.logged_at)
        everything.append(use)
        line = around.directory.line_numbers.get(row.line_id)
        if line is not None:
            of_lines[line].append(use)

    def ordered(uses: Sequence[Use]) -> list[DefectView]:
        return [by_code[defect] for defect in latest_first(list(by_code), uses, now)]

    return Orders(ordered(everything), {line: ordered(uses) for line, uses in of_lines.items()})
