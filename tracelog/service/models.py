"""Tables of service: the levels, and the services that were done."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


class ServiceLevel(Base):
    """One level of service of a station's machines."""

    __tablename__ = "service_levels"
    __table_args__ = (
        Index("uq_service_levels_station_service", "station", "service", unique=True),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    station: Mapped[str] = mapped_column(String(80))
    service: Mapped[str] = mapped_column(String(80))
    interval_strokes: Mapped[int | None] = mapped_column(BigInteger)
    interval_days: Mapped[int | None]
    hours: Mapped[float | None]
    people: Mapped[int | None]


class Service(Base):
    """A service that was done. A fact: never changed."""

    __tablename__ = "services"
    __table_args__ = (
        Index(
            "uq_services_machine_service_done_at",
            *("machine_id", "service", "done_at"),
            unique=True,
        ),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    service: Mapped[str] = mapped_column(String(80))
    done_at: Mapped[datetime]
    unplanned: Mapped[bool]
    note: Mapped[str | None] = mapped_column(Text)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
