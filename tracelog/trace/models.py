"""Tables of stock on hold: what was held, and everything that was found and decided about it."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class Hold(Base):
    """Stock put on hold for one reason. A fact: never changed; what follows are its steps."""

    __tablename__ = "holds"
    __table_args__ = (
        Index("uq_holds_number", "number", unique=True),
        Index("ix_holds_raised_at", "raised_at"),
        CheckConstraint("made_to IS NULL OR made_to >= made_from", name="ends_after_start"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    # Counted from 1 in the order in which holds were raised; people say "hold 12".
    number: Mapped[int] = mapped_column(Integer)
    defect_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("defect_types.id"))
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    # The suspect window in the machine's time of making, and the risk accepted for each pallet.
    made_from: Mapped[datetime | None]
    made_to: Mapped[datetime | None]
    accepted_risk: Mapped[float | None]
    reason: Mapped[str] = mapped_column(Text)
    raised_at: Mapped[datetime]
    raised_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class HoldStep(Base):
    """What happened to a hold or to one pallet in it. A fact: never changed.

    Steps of a pallet: `held`, `found`, `missing`, `inspected`, `released`, `conceded`, `scrapped`;
    of the whole hold: `note`, `widened`, `closed`.
    """

    __tablename__ = "hold_steps"
    __table_args__ = (
        Index("ix_hold_steps_hold_written_at", "hold_id", "written_at"),
        Index("ix_hold_steps_pallet", "pallet"),
        CheckConstraint("defective IS NULL OR defective <= inspected", name="within_inspected"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    hold_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("holds.id"))
    # The number on the pallet's tag, also of a pallet that is on record nowhere else.
    pallet: Mapped[str | None] = mapped_column(String(80))
    step: Mapped[str] = mapped_column(String(20))
    # When it happened at the pallet, and when it was written down.
    at: Mapped[datetime]
    written_at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(120))
    reason: Mapped[str | None] = mapped_column(Text)
    # Where it stands, when it was found.
    place: Mapped[str | None] = mapped_column(String(80))
    # What was expected of it when it was held.
    expected_suspect: Mapped[float | None]
    chance_of_none: Mapped[float | None]
    # What an inspection looked at and found.
    inspected: Mapped[int | None] = mapped_column(BigInteger)
    defective: Mapped[int | None] = mapped_column(BigInteger)
    # The end of the suspect window after it was widened.
    made_from: Mapped[datetime | None]
    made_to: Mapped[datetime | None]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
