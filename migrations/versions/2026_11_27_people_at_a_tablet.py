"""People who share a tablet: PINs, tablets, and wall screens that can only read.

PINs and the secrets of tablets and screens are kept as hashes only (`pin_hash`, `token_hash`).
What `tablet_people` holds is a convenience: whoever was last at a tablet is offered first there,
and wrong PINs in a row are counted. It may be emptied without loss of a fact.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_people_at_a_tablet"
down_revision: str | None = "2026_11_26_whole_cases"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    with op.batch_alter_table("accounts", schema=None) as batch_op:
        batch_op.add_column(sa.Column("pin_hash", sa.String(length=200), nullable=True))
        batch_op.add_column(
            sa.Column("pin_once_until", db.UtcInstant(timezone=True), nullable=True)
        )
        batch_op.add_column(sa.Column("language", sa.String(length=10), nullable=True))

    op.create_table(
        "tablets",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("idle_minutes", sa.Integer(), nullable=False),
        sa.Column("made_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("made_by", sa.String(length=120), nullable=False),
        sa.Column("last_seen_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("revoked_at", db.UtcInstant(timezone=True), nullable=True),
        sa.CheckConstraint("idle_minutes BETWEEN 1 AND 60", name=op.f("ck_tablets_idle_minutes")),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_tablets_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tablets")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_tablets_token_hash")),
    )
    op.create_table(
        "tablet_people",
        sa.Column("tablet_id", sa.Uuid(), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("last_signed_in_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("checked_digits", sa.Integer(), nullable=False),
        sa.Column("wait_until", db.UtcInstant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_tablet_people_account_id")
        ),
        sa.ForeignKeyConstraint(
            ["tablet_id"], ["tablets.id"], name=op.f("fk_tablet_people_tablet_id")
        ),
        sa.PrimaryKeyConstraint("tablet_id", "account_id", name=op.f("pk_tablet_people")),
    )
    with op.batch_alter_table("tablet_people", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_tablet_people_account_id"), ["account_id"], unique=False
        )

    op.create_table(
        "screens",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("made_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("made_by", sa.String(length=120), nullable=False),
        sa.Column("expires_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("last_seen_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("revoked_at", db.UtcInstant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_screens_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_screens")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_screens_token_hash")),
    )


def downgrade() -> None:
    op.drop_table("screens")
    op.drop_table("tablet_people")
    op.drop_table("tablets")
    with op.batch_alter_table("accounts", schema=None) as batch_op:
        batch_op.drop_column("language")
        batch_op.drop_column("pin_once_until")
        batch_op.drop_column("pin_hash")
