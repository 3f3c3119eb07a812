"""Tables of measured values, gauge studies, frozen baselines, and signals."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class Measurement(Base):
    """One measured value. A fact: never changed."""

    __tablename__ = "measurements"
    __table_args__ = (
        Index("ix_measurements_machine_measured_at", "machine_id", "measured_at"),
        Index("ix_measurements_characteristic_measured_at", "characteristic", "measured_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    measured_at: Mapped[datetime]
    characteristic: Mapped[str] = mapped_column(String(80))
    unit: Mapped[str | None] = mapped_column(String(80))
    value: Mapped[float]
    subgroup: Mapped[str | None] = mapped_column(String(80))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class GaugeReading(Base):
    """One reading of a gauge study: a person measured a part again. A fact: never changed."""

    __tablename__ = "gauge_readings"
    __table_args__ = (Index("ix_gauge_readings_study", "study"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    study: Mapped[str] = mapped_column(String(80))
    characteristic: Mapped[str] = mapped_column(String(80))
    unit: Mapped[str | None] = mapped_column(String(80))
    part: Mapped[str] = mapped_column(String(80))
    appraiser: Mapped[str] = mapped_column(String(80))
    trial: Mapped[int] = mapped_column(Integer)
    value: Mapped[float]
    measured_at: Mapped[datetime]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class FrozenBaseline(Base):
    """A period that somebody chose to judge one series by. A fact; the latest of a series counts.

    Without a period the series goes back to the usual one.
    """

    __tablename__ = "frozen_baselines"
    __table_args__ = (Index("ix_frozen_baselines_frozen_at", "frozen_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    # The series: where (neither line nor machine: the whole plant) and what. Kinds of defect in
    # order with commas between them, empty: all together; or a measured characteristic.
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    evidence: Mapped[str] = mapped_column(String(20))
    of: Mapped[str] = mapped_column(Text)
    # The period, the end not included.
    starts_at: Mapped[datetime | None]
    ends_at: Mapped[datetime | None]
    reason: Mapped[str] = mapped_column(Text)
    frozen_at: Mapped[datetime]
    frozen_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class SignalBudget(Base):
    """How many false signals a week the whole plant accepts. A fact; the latest counts."""

    __tablename__ = "signal_budgets"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    false_signals_a_week: Mapped[float]
    reason: Mapped[str] = mapped_column(Text)
    set_at: Mapped[datetime]
    set_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class SignalEpoch(Base):
    """Four weeks for which baselines and thresholds were worked out once. Derived."""

    __tablename__ = "signal_epochs"

    starts_at: Mapped[datetime] = mapped_column(primary_key=True)
    # `rise`, `fall` or `silent`.
    kind: Mapped[str] = mapped_column(String(20), primary_key=True)
    threshold: Mapped[float]
    false_signals_a_week: Mapped[float]
    series: Mapped[int] = mapped_column(Integer)


class SignalBaseline(Base):
    """What a series is expected to do from then on: a gamma of its rate per stroke. Derived."""

    __tablename__ = "signal_baselines"

    starts_at: Mapped[datetime] = mapped_column(primary_key=True)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    # Empty: all kinds of defect together.
    defect: Mapped[str] = mapped_column(String(80), primary_key=True)
    shape: Mapped[float]
    strokes: Mapped[float]
    dispersion: Mapped[float]


class Signal(Base):
    """A rate that left its baseline. Derived: what people decide about it is kept apart."""

    __tablename__ = "signals"
    __table_args__ = (Index("ix_signals_raised_at", "raised_at"),)

    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    defect: Mapped[str] = mapped_column(String(80), primary_key=True)
    # `rise`, `fall` or `silent`.
    kind: Mapped[str] = mapped_column(String(20), primary_key=True)
    raised_at: Mapped[datetime] = mapped_column(primary_key=True)
    # When it began, with a 90 % interval, and when the rate was back.
    since: Mapped[datetime]
    since_low: Mapped[datetime]
    since_high: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    ratio: Mapped[float]
    score: Mapped[float]
    threshold: Mapped[float]
    # Before it began and from then on; counts are occurrences.
    baseline_per_million: Mapped[float]
    count: Mapped[int] = mapped_column(Integer)
    strokes: Mapped[int] = mapped_column(BigInteger)


class SignalProgress(Base):
    """How far signals were worked out: one row. Derived."""

    __tablename__ = "signal_progress"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    audit_sequence: Mapped[int] = mapped_column(BigInteger)
    worked_out_at: Mapped[datetime]


class SignalDecision(Base):
    """What somebody decided about a signal. A fact; the latest of a signal counts."""

    __tablename__ = "signal_decisions"
    __table_args__ = (Index("ix_signal_decisions_machine_id", "machine_id"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    defect: Mapped[str] = mapped_column(String(80))
    kind: Mapped[str] = mapped_column(String(20))
    raised_at: Mapped[datetime]
    # `acknowledged`, `attached` or `dismissed`.
    decision: Mapped[str] = mapped_column(String(20))
    case_id: Mapped[uuid.UUID | None]
    reason: Mapped[str] = mapped_column(Text)
    decided_at: Mapped[datetime]
    decided_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
