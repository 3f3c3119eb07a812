"""Tables of seals: the chain of batches, and the seals of single rows."""

import uuid

from sqlalchemy import BigInteger, LargeBinary, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class SealBatch(Base):
    """What one transaction sealed; each batch's hash covers the hash before it.

    Audit records hold the hash of the last batch before them, so that the audit trail covers
    the seals as well.
    """

    __tablename__ = "seal_batches"

    sequence: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)

    # The rows of one table that one audit record wrote, in `digests`, 16 bytes each, sorted;
    # blank: single rows, in `row_seals`.
    table_name: Mapped[str | None] = mapped_column(String(60), index=True)
    audit_id: Mapped[uuid.UUID | None]
    # Whether it stands instead of the earlier batches of that audit record.
    replaces: Mapped[bool] = mapped_column(default=False)
    digests: Mapped[bytes | None] = mapped_column(LargeBinary)
    rows: Mapped[int] = mapped_column(BigInteger)

    # The chain.
    content_hash: Mapped[str] = mapped_column(String(64))
    previous_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64))


class RowSeal(Base):
    """The seal of one row as of one batch; the latest counts.

    Batch 0 stands for rows that change all day without an audit record, such as sessions: their
    seals are replaced in place and no chain covers them.
    """

    __tablename__ = "row_seals"

    table_name: Mapped[str] = mapped_column(String(60), primary_key=True)
    row_key: Mapped[str] = mapped_column(Text, primary_key=True)
    sequence: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    # None: the row was removed.
    digest: Mapped[str | None] = mapped_column(String(32))
