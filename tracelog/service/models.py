"""Tables of service: the levels, and the services that were done."""

import uuid
from datetime import date, datetime

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


class ServicePin(Base):
    """A date on which somebody promised a service of a machine.

    It is open until the service is done, or it is taken back or moved; then it says why it ended.
    """

    __tablename__ = "service_pins"
    __table_args__ = (Index("ix_service_pins_machine_pinned_at", "machine_id", "pinned_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    service: Mapped[str] = mapped_column(String(80))
    pinned_on: Mapped[date]
    pinned_at: Mapped[datetime]
    pinned_by: Mapped[str | None] = mapped_column(String(120))
    note: Mapped[str | None] = mapped_column(Text)
    ended_at: Mapped[datetime | None]
    ended_because: Mapped[str | None] = mapped_column(String(20))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class PlanningSetting(Base):
    """One thing that the plant has said about how its services are planned."""

    __tablename__ = "planning_settings"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    setting: Mapped[str] = mapped_column(String(40), unique=True)
    # As it is written in a file.
    value: Mapped[str] = mapped_column(String(80))


class ReplacementCost(Base):
    """What replacing a tool of one type costs, planned and unplanned, and today's interval."""

    __tablename__ = "replacement_costs"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    tool_type: Mapped[str] = mapped_column(String(80), unique=True)
    planned_cost: Mapped[float | None]
    unplanned_cost: Mapped[float | None]
    interval_strokes: Mapped[int | None] = mapped_column(BigInteger)
    note: Mapped[str | None] = mapped_column(Text)
