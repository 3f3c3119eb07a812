"""A hand-made plant whose measured values are known."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tests.trends.small_log import ACTOR, WRITTEN_AT, ZONE, write_log
from tracelog.plant.queries import directory, the_plant
from tracelog.trends.actions import record_measurements
from tracelog.trends.facts import MeasurementFact
from tracelog.trends.measured.answers import MeasureAnswer
from tracelog.trends.measured.charts import measured_chart
from tracelog.trends.measured.questions import known_measures, read_measure_question

FIRST = datetime(2026, 3, 23, 8, tzinfo=UTC)


def fact(
    characteristic: str,
    value: float,
    minutes: float,
    *,
    subgroup: str | None = None,
    bodymaker: int = 1,
    unit: str | None = "mm",
) -> MeasurementFact:
    """A value of machine 1-x, so many minutes after the first instant."""
    return MeasurementFact.read(
        {
            "line": 1,
            "bodymaker": bodymaker,
            "measured_at": FIRST + timedelta(minutes=minutes),
            "characteristic": characteristic,
            "unit": unit,
            "value": value,
            "subgroup": subgroup,
        },
        ZoneInfo(ZONE.key),
    )


def subgroups(
    characteristic: str, groups: Sequence[Sequence[float]], *, bodymaker: int = 1
) -> list[MeasurementFact]:
    """Subgroups an hour apart, their values a minute apart."""
    return [
        fact(
            characteristic,
            value,
            60 * place + number,
            subgroup=str(place + 1),
            bodymaker=bodymaker,
        )
        for place, group in enumerate(groups)
        for number, value in enumerate(group)
    ]


def singles(
    characteristic: str, values: Sequence[float], unit: str | None = "mm"
) -> list[MeasurementFact]:
    """Single values an hour apart."""
    return [
        fact(characteristic, value, 60 * place, unit=unit) for place, value in enumerate(values)
    ]


def measure(session: Session, facts: Sequence[MeasurementFact]) -> None:
    """Write the plant and its measured values."""
    write_log(session, [])
    for outcome in record_measurements(session, facts, ACTOR, WRITTEN_AT):
        assert outcome.is_kept, outcome
    session.flush()


def chart_of(session: Session, **choices: str) -> MeasureAnswer:
    """The chart of these choices, named as in an address (`from_` for ``from``)."""
    plant, places = the_plant(session), directory(session)
    known = known_measures(session, plant, places, WRITTEN_AT)
    values = {name.rstrip("_"): [value] for name, value in choices.items()}
    return measured_chart(session, read_measure_question(values, known), places)
