"""Reads of frozen baselines: the period that somebody chose to judge a series by."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from tracelog.plant.models import Line
from tracelog.trends.models import FrozenBaseline
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.series.rules import SeriesEvidence, SeriesKey, kinds_in, kinds_text


@dataclass(frozen=True)
class FrozenBaselineView:
    """The latest word about the baseline of one series.

    `start` and `end` (UTC, the end not included) are None where the series went back to the usual
    baseline. `frozen_at` is UTC.
    """

    id: uuid.UUID
    series: SeriesKey
    start: datetime | None
    end: datetime | None
    reason: str
    frozen_at: datetime
    frozen_by: str

    @property
    def machine_id(self) -> uuid.UUID | None:
        """The machine, None for a line or the plant."""
        return self.series.machine_id

    @property
    def line(self) -> int | None:
        """The line, None for a machine or the plant."""
        return self.series.line

    @property
    def defects(self) -> tuple[str, ...]:
        """Kinds of defect counted together, none for all; none for measurements."""
        if self.series.evidence is SeriesEvidence.MEASUREMENTS:
            return ()
        return kinds_in(self.series.of)

    @property
    def period(self) -> tuple[datetime, datetime] | None:
        """Start and end, None where the series went back to the usual baseline."""
        return None if self.start is None or self.end is None else (self.start, self.end)


def frozen_baselines(session: Session, as_of: datetime | None = None) -> list[FrozenBaselineView]:
    """The frozen period of every series that has one. One statement.

    Args:
        session: an open session.
        as_of: UTC; only what was frozen by then. None: all that is known.

    Returns:
        At most one for a series, in order of when they were frozen; a series that went back to
        the usual baseline has none.
    """
    return [one for one in latest_words(session, as_of) if one.period is not None]


def latest_words(session: Session, as_of: datetime | None = None) -> list[FrozenBaselineView]:
    """The latest word of every series, also that it went back to the usual. One statement.

    Args, Returns: as `frozen_baselines`, which leaves the latter out.
    """
    newest = func.row_number().over(
        partition_by=(
            *(FrozenBaseline.machine_id, FrozenBaseline.line_id),
            *(FrozenBaseline.evidence, FrozenBaseline.of),
        ),
        order_by=(FrozenBaseline.frozen_at.desc(), FrozenBaseline.id.desc()),
    )
    known = select(FrozenBaseline, newest.label("newest"))
    if as_of is not None:
        known = known.where(FrozenBaseline.frozen_at <= as_of)
    ranked = known.subquery()
    row = aliased(FrozenBaseline, ranked)
    asked = (
        select(row, Line.line)
        .outerjoin(Line, Line.id == row.line_id)
        .where(ranked.c.newest == 1)
        .order_by(row.frozen_at, row.id)
    )
    return [_view(found, line) for found, line in session.execute(asked)]


def series_asked(question: ChartQuestion) -> SeriesKey:
    """The series that a chart is of."""
    machine = question.machine
    return SeriesKey(
        None if machine is None else machine.id,
        question.line if machine is None else None,
        SeriesEvidence(question.evidence.value),
        kinds_text(question.defects),
    )


def _view(row: FrozenBaseline, line: int | None) -> FrozenBaselineView:
    key = SeriesKey(row.machine_id, line, SeriesEvidence(row.evidence), row.of)
    return FrozenBaselineView(
        row.id, key, row.starts_at, row.ends_at, row.reason, row.frozen_at, row.frozen_by
    )


def latest_word(
    session: Session, series: SeriesKey, as_of: datetime | None = None
) -> FrozenBaselineView | None:
    """The latest word about the baseline of one series, None if there never was one.

    One statement.

    Args:
        session: an open session.
        series: which one.
        as_of: UTC; only what was frozen by then. None: all that is known.
    """
    return next((one for one in latest_words(session, as_of) if one.series == series), None)
