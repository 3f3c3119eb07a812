"""Table of the measured values."""

import uuid
from datetime import datetime

from sqlalchemy import ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class Measurement(Base):
    """One measured value. A fact: never changed."""

    __tablename__ = "measurements"
    __table_args__ = (Index("ix_measurements_machine_measured_at", "machine_id", "measured_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    measured_at: Mapped[datetime]
    characteristic: Mapped[str] = mapped_column(String(80))
    unit: Mapped[str | None] = mapped_column(String(80))
    value: Mapped[float]
    subgroup: Mapped[str | None] = mapped_column(String(80))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
