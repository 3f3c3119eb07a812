"""Every table in one place, for migrations and checks."""

from tracelog import audit
from tracelog.cases import models as cases
from tracelog.db import Base
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
