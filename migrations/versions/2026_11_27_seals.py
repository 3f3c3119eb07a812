"""Seals of rows, by which a row altered by hand is found.

Revision ID: 2026_11_27_seals
Revises: 2026_11_27_accounts
"""

import sqlalchemy as sa
from alembic import op

from tracelog.seals.actions import seal_everything

revision: str = "2026_11_27_seals"
down_revision: str | None = "2026_11_27_accounts"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Seals of rows, by which a row altered by hand is found."""
    op.create_table(
        "seal_batches",
        sa.Column("sequence", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("table_name", sa.String(60), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=True),
        sa.Column("replaces", sa.Boolean(), nullable=False),
        sa.Column("digests", sa.LargeBinary(), nullable=True),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("content_hash", sa.String(64), nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name="pk_seal_batches"),
    )
    op.create_index("ix_seal_batches_table_name", "seal_batches", ["table_name"])
    op.create_table(
        "row_seals",
        sa.Column("table_name", sa.String(60), nullable=False),
        sa.Column("row_key", sa.Text(), nullable=False),
        sa.Column("sequence", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("digest", sa.String(32), nullable=True),
        sa.PrimaryKeyConstraint("table_name", "row_key", "sequence", name="pk_row_seals"),
    )
    with op.batch_alter_table("audit_records") as batch:
        batch.add_column(sa.Column("sealed", sa.String(64), nullable=True))
    # What is there already is sealed as it is: whether somebody altered it before, nobody can say.
    seal_everything(op.get_bind())


def downgrade() -> None:
    """Back to the tables before: records that name a seal do not verify there."""
    with op.batch_alter_table("audit_records") as batch:
        batch.drop_column("sealed")
    op.drop_table("row_seals")
    op.drop_index("ix_seal_batches_table_name", "seal_batches")
    op.drop_table("seal_batches")
