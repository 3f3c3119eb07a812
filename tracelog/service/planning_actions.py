"""Recording how services are planned."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows
from tracelog.service.models import PlanningSetting
from tracelog.service.planning_facts import PlanningSettingFact

_SETTINGS = Keeping(
    table=PlanningSetting,
    kind="planning settings",
    key=("setting",),
    values=("value",),
    among="setting",
    is_setting=True,
)


def record_planning_settings(
    session: Session, facts: Sequence[PlanningSettingFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep how services are planned; what is said of a known setting replaces what was said.

    Args:
        session: an open session that writes.
        facts: the settings.
        actor: who sets them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    rows: list[Values | Outcome] = [(fact.setting.value, fact.value) for fact in facts]
    return record_rows(session, _SETTINGS, rows, actor, now)
