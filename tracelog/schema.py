"""Every table in one place, for migrations and checks."""

from typing import Any

from tracelog import audit
from tracelog.cases import models as cases
from tracelog.db import LEADS_TO, Base
from tracelog.defects import models as defects
from tracelog.handover import models as handover
from tracelog.intake import models as intake
from tracelog.intake.spreadsheets import models as spreadsheets
from tracelog.notices import models as notices
from tracelog.people import models as people
from tracelog.plant import models as plant
from tracelog.seals import models as seals
from tracelog.service import models as service
from tracelog.strokes import models as strokes
from tracelog.strokes.partitions import is_part
from tracelog.trace import models as trace
from tracelog.trends import models as trends
from tracelog.wall import models as wall

metadata = Base.metadata

__all__ = [
    "audit",
    "cases",
    "defects",
    "handover",
    "intake",
    "is_compared",
    "metadata",
    "notices",
    "people",
    "plant",
    "seals",
    "service",
    "spreadsheets",
    "strokes",
    "trace",
    "trends",
    "wall",
]

# Rows that lead to others without a constraint come after them too, wherever tables are in order:
# a backup may be put into tables of an earlier version, where the constraint was still there.
for _table in list(metadata.tables.values()):
    for _column in _table.columns:
        if LEADS_TO in _column.info:
            _table.add_is_dependent_on(metadata.tables[_column.info[LEADS_TO].split(".")[0]])


def is_compared(name: str | None, kind: str, _parents: Any) -> bool:
    """Whether something in the database is to be compared with the models (Alembic's hook).

    Parts of a table are not tables of their own, and come and go with the months.
    """
    return not (kind == "table" and name is not None and is_part(name))
