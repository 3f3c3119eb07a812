"""Tables of the counters: facts (readings, events), and what is derived from them."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import LEADS_TO, Base, new_id


class Reading(Base):
    """The raw figure on a machine's counter at an instant. A fact: never changed.

    Its references are no constraints: to look them up for each of millions of rows takes PostgreSQL
    three times as long as to write the rows. Readings are written at one place, which takes
    machines from the directory and makes the audit record itself, neither of which is ever
    removed; and the check of everything looks for readings that lead nowhere.

    On PostgreSQL each month of UTC is a part of the table by itself; see `partitions`.
    """

    __tablename__ = "readings"
    # Clustered by key: the table is read by machine and time, and by nothing else.
    __table_args__ = {
        "sqlite_with_rowid": False,
        "postgresql_partition_by": "RANGE (read_at)",
    }

    machine_id: Mapped[uuid.UUID] = mapped_column(primary_key=True, info={LEADS_TO: "machines.id"})
    read_at: Mapped[datetime] = mapped_column(primary_key=True)
    strokes: Mapped[int] = mapped_column(BigInteger)
    audit_id: Mapped[uuid.UUID] = mapped_column(info={LEADS_TO: "audit_records.id"})


class CounterEventRow(Base):
    """A counter that was reset, preset or replaced. A fact: never changed."""

    __tablename__ = "counter_events"
    __table_args__ = (Index("uq_counter_events_machine_at", "machine_id", "at", unique=True),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    at: Mapped[datetime]
    event: Mapped[str] = mapped_column(String(20))
    strokes_after: Mapped[int] = mapped_column(BigInteger)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CounterSettlement(Base):
    """What somebody decided on a jump of a counter. A fact: never changed; the newest stands.

    It is about the reading taken at `to_at`, or about the stretch that ends there and began at
    `from_at`: which stretch ends at a reading changes when another reading comes late.
    """

    __tablename__ = "counter_settlements"
    __table_args__ = (
        Index(
            "uq_counter_settlements_machine_to_at_settled_at",
            *("machine_id", "to_at", "settled_at"),
            unique=True,
        ),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"))
    to_at: Mapped[datetime]
    settled_at: Mapped[datetime]
    verdict: Mapped[str] = mapped_column(String(20))
    # The stretch as it was then and the strokes made in it, where the verdict gives them.
    from_at: Mapped[datetime | None]
    strokes: Mapped[int | None] = mapped_column(BigInteger)
    note: Mapped[str | None] = mapped_column(Text)
    settled_by: Mapped[str | None] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class StrokeHour(Base):
    """Strokes of a machine in one hour of the plant's clock. Derived from readings and events.

    There is a row for every hour from the first reading to the last; `total_before` is the
    machine's counted strokes up to the hour's start, so that strokes between any two instants
    take two look-ups.
    """

    __tablename__ = "stroke_hours"
    # Clustered by key: the table is read by machine and time, and by nothing else.
    __table_args__ = {"sqlite_with_rowid": False}

    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    hour_at: Mapped[datetime] = mapped_column(primary_key=True)
    strokes: Mapped[int] = mapped_column(BigInteger)
    total_before: Mapped[int] = mapped_column(BigInteger)


class CounterQuestion(Base):
    """A jump of a counter that the facts do not explain; counted neither way. Derived.

    Each ends at a reading, and no two at the same one; two can begin at the same instant.
    """

    __tablename__ = "counter_questions"

    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    to_at: Mapped[datetime] = mapped_column(primary_key=True)
    from_at: Mapped[datetime]
    from_strokes: Mapped[int] = mapped_column(BigInteger)
    to_strokes: Mapped[int] = mapped_column(BigInteger)


class RetiredMonth(Base):
    """A month of UTC whose readings were exported to a file and taken out of the table.

    Months are retired in order: no reading, event or settlement that lies before the latest end
    is taken any more.
    """

    __tablename__ = "retired_months"

    month: Mapped[datetime] = mapped_column(primary_key=True)
    ends_at: Mapped[datetime]
    # The file's name, how many readings it holds, and its SHA-256.
    file: Mapped[str] = mapped_column(String(200))
    rows: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str] = mapped_column(String(64))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CarriedCounter(Base):
    """What a machine's count rests on where its earlier readings were retired.

    Hours before `hour_at` are facts from then on: they are never counted anew. Later ones are
    counted from the readings from `read_from` on, which stay in the table.
    """

    __tablename__ = "carried_counters"

    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    # The machine's first reading that counted, and the last one before the months that are left.
    first_at: Mapped[datetime]
    last_at: Mapped[datetime]
    # The hour of that last one, and the first reading that stays, which lies before it.
    hour_at: Mapped[datetime]
    read_from: Mapped[datetime]
    strokes_before: Mapped[int] = mapped_column(BigInteger)
    # The hours before: how many, and the SHA-256 of what they say.
    hours: Mapped[int] = mapped_column(BigInteger)
    hours_sha256: Mapped[str] = mapped_column(String(64))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
