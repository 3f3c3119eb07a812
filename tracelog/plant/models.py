"""Tables of the plant: what stands in it, what is fitted, what runs, what was changed.

Ends (`removed_at`, `ended_at`, `valid_to`) may be blank when a fact is first reported; they are
filled in once, when they become known, and never change after that.
"""

import uuid
from datetime import date, datetime, time

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, String, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


class Plant(Base):
    """The plant; every row leads to one."""

    __tablename__ = "plants"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    time_zone: Mapped[str] = mapped_column(String(80))
    # Bodymaker to palletiser: cans of one minute come out spread between these.
    transit_min_minutes: Mapped[int | None]
    transit_max_minutes: Mapped[int | None]
    rota_starts_on: Mapped[date | None]


class Shift(Base):
    """A shift of the day, in the order of plant.toml."""

    __tablename__ = "shifts"

    plant_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("plants.id"), primary_key=True)
    ordinal: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    # The rota's own word for this shift; mostly its name.
    rota_name: Mapped[str | None] = mapped_column(String(80))
    starts: Mapped[time]


class RotaDay(Base):
    """Which crew works which shift on one day of the repeating cycle."""

    __tablename__ = "rota_days"

    plant_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("plants.id"), primary_key=True)
    day: Mapped[int] = mapped_column(primary_key=True)
    shift_ordinal: Mapped[int] = mapped_column(primary_key=True)
    crew: Mapped[str] = mapped_column(String(80))


class Line(Base):
    """One production line."""

    __tablename__ = "lines"
    __table_args__ = (Index("uq_lines_plant_line", "plant_id", "line", unique=True),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    plant_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("plants.id"))
    line: Mapped[int]
    name: Mapped[str | None] = mapped_column(String(80))


class Machine(Base):
    """One machine of a line."""

    __tablename__ = "machines"
    __table_args__ = (
        Index("uq_machines_line_station_number", "line_id", "station", "number", unique=True),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    station: Mapped[str] = mapped_column(String(80))
    number: Mapped[int]
    name: Mapped[str | None] = mapped_column(String(80))
    # The last figure before the counter rolls over to 0.
    counter_max: Mapped[int | None] = mapped_column(BigInteger)
    rated_spm: Mapped[float | None]


class StationPart(Base):
    """How many mandrels, pockets, segments or fingers a station of a line has."""

    __tablename__ = "station_parts"
    __table_args__ = (
        Index("uq_station_parts_line_station_part", "line_id", "station", "part", unique=True),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    station: Mapped[str] = mapped_column(String(80))
    # What repeats, such as `mandrel`, `pocket`, `segment` or `finger`.
    part: Mapped[str] = mapped_column(String(80))
    count: Mapped[int]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class DomeCodeRow(Base):
    """A machine whose cans bear another number than its own; wins over the default."""

    __tablename__ = "dome_codes"
    __table_args__ = (Index("uq_dome_codes_code_valid_from", "code", "valid_from", unique=True),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    code: Mapped[str] = mapped_column(String(20))
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), index=True)
    valid_from: Mapped[datetime]
    valid_to: Mapped[datetime | None]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class Tool(Base):
    """One serialised tool."""

    __tablename__ = "tools"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    serial: Mapped[str] = mapped_column(String(80), unique=True)
    tool_type: Mapped[str | None] = mapped_column(String(80))
    life_strokes: Mapped[int | None] = mapped_column(BigInteger)
    note: Mapped[str | None] = mapped_column(Text)


class ToolFit(Base):
    """A tool in a position of a machine from one instant to another."""

    __tablename__ = "tool_fits"
    __table_args__ = (
        Index("uq_tool_fits_tool_fitted_at", "tool_id", "fitted_at", unique=True),
        Index("ix_tool_fits_machine_fitted_at", "machine_id", "fitted_at"),
        CheckConstraint("removed_at IS NULL OR removed_at >= fitted_at", name="ends_after_start"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    tool_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("tools.id"))
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    position: Mapped[str] = mapped_column(String(80))
    fitted_at: Mapped[datetime]
    removed_at: Mapped[datetime | None]
    removal_reason: Mapped[str | None] = mapped_column(String(20))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class ToolWork(Base):
    """Work done on a tool in the tool room, or what its card says when it comes on record.

    A fact: never changed.
    """

    __tablename__ = "tool_works"
    # Ground and coated may carry one date; they are two works.
    __table_args__ = (
        Index("uq_tool_works_tool_done_at_work", "tool_id", "done_at", "work", unique=True),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    tool_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("tools.id"))
    done_at: Mapped[datetime]
    work: Mapped[str] = mapped_column(String(20))
    # What the card says the tool had made by then, in all and since its last work.
    strokes_before: Mapped[int | None] = mapped_column(BigInteger)
    strokes_before_since_work: Mapped[int | None] = mapped_column(BigInteger)
    # Size after the work.
    size_mm: Mapped[float | None]
    note: Mapped[str | None] = mapped_column(Text)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class PlannedPeriod(Base):
    """A time known beforehand: a line or machine stands, or no service is wanted there.

    Without a line it is about the whole plant, without a machine about the whole line. It is a
    plan and may be changed or withdrawn.
    """

    __tablename__ = "planned_periods"
    __table_args__ = (
        Index("ix_planned_periods_ends_at", "ends_at"),
        CheckConstraint("ends_at > starts_at", name="ends_after_start"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    kind: Mapped[str] = mapped_column(String(20))
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    starts_at: Mapped[datetime]
    ends_at: Mapped[datetime]
    reason: Mapped[str | None] = mapped_column(Text)
    # When it became known; None: it always was.
    announced_at: Mapped[datetime | None]
    withdrawn_at: Mapped[datetime | None]
    # The event of a calendar file that it came from.
    uid: Mapped[str | None] = mapped_column(String(255))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class Coil(Base):
    """One coil of body stock."""

    __tablename__ = "coils"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    coil: Mapped[str] = mapped_column(String(80), unique=True)
    alloy: Mapped[str | None] = mapped_column(String(80))
    gauge_mm: Mapped[float | None]
    note: Mapped[str | None] = mapped_column(Text)


class CoilRun(Base):
    """A coil on a line from one instant to another."""

    __tablename__ = "coil_runs"
    __table_args__ = (
        Index("uq_coil_runs_coil_line_started_at", "coil_id", "line_id", "started_at", unique=True),
        Index("ix_coil_runs_line_started_at", "line_id", "started_at"),
        CheckConstraint("ended_at IS NULL OR ended_at >= started_at", name="ends_after_start"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    coil_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("coils.id"))
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class Pallet(Base):
    """One pallet, filled at the end of a line from one instant to another."""

    __tablename__ = "pallets"
    __table_args__ = (
        Index("ix_pallets_line_started_at", "line_id", "started_at"),
        Index("ix_pallets_line_ended_at", "line_id", "ended_at"),
        CheckConstraint("ended_at IS NULL OR ended_at >= started_at", name="ends_after_start"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    pallet: Mapped[str] = mapped_column(String(80), unique=True)
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    cans: Mapped[int | None] = mapped_column(BigInteger)
    status: Mapped[str | None] = mapped_column(String(20))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class Change(Base):
    """Anything else that was deliberately altered; without a machine, on the whole line."""

    __tablename__ = "changes"
    __table_args__ = (
        Index(
            "uq_changes_machine",
            *("line_id", "machine_id", "at", "kind"),
            unique=True,
            sqlite_where=text("machine_id IS NOT NULL"),
            postgresql_where=text("machine_id IS NOT NULL"),
        ),
        Index(
            "uq_changes_line",
            *("line_id", "at", "kind"),
            unique=True,
            sqlite_where=text("machine_id IS NULL"),
            postgresql_where=text("machine_id IS NULL"),
        ),
        Index("ix_changes_at", "at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"), index=True)
    at: Mapped[datetime]
    kind: Mapped[str] = mapped_column(String(80))
    note: Mapped[str | None] = mapped_column(Text)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
