"""Sessions that the server can end, scopes of tokens, counted attempts, identity providers.

Tokens that are there keep working: without scopes they may do what their role may, and without an
end they go on until they are revoked. Sessions that are open end once, since they have no row.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_accounts"
down_revision: str | None = "2026_11_27_spreadsheets"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    with op.batch_alter_table("tokens", schema=None) as batch_op:
        batch_op.add_column(sa.Column("scopes", sa.Text(), nullable=True))
        batch_op.add_column(sa.Column("last_used_from", sa.String(length=60), nullable=True))

    op.create_table(
        "sessions",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("key_hash", sa.String(length=64), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("way", sa.String(length=10), nullable=False),
        sa.Column("tablet_id", sa.Uuid(), nullable=True),
        sa.Column("address", sa.String(length=60), nullable=False),
        sa.Column("browser", sa.String(length=200), nullable=False),
        sa.Column("began_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("seen_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_sessions_account_id")
        ),
        sa.ForeignKeyConstraint(["tablet_id"], ["tablets.id"], name=op.f("fk_sessions_tablet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
        sa.UniqueConstraint("key_hash", name=op.f("uq_sessions_key_hash")),
    )
    with op.batch_alter_table("sessions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sessions_account_id"), ["account_id"], unique=False)

    op.create_table(
        "known_devices",
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("device_hash", sa.String(length=64), nullable=False),
        sa.Column("address", sa.String(length=60), nullable=False),
        sa.Column("last_at", db.UtcInstant(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_known_devices_account_id")
        ),
        sa.PrimaryKeyConstraint(
            "account_id", "device_hash", "address", name=op.f("pk_known_devices")
        ),
    )

    op.create_table(
        "sign_in_counts",
        sa.Column("key_hash", sa.String(length=64), nullable=False),
        sa.Column("level", sa.Double(), nullable=False),
        sa.Column("counted_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("wait_until", db.UtcInstant(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("key_hash", name=op.f("pk_sign_in_counts")),
    )
    with op.batch_alter_table("sign_in_counts", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_sign_in_counts_counted_at"), ["counted_at"], unique=False
        )

    op.create_table(
        "identities",
        sa.Column("issuer", sa.String(length=300), nullable=False),
        sa.Column("subject", sa.String(length=255), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("linked_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("linked_by", sa.String(length=120), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_identities_account_id")
        ),
        sa.PrimaryKeyConstraint("issuer", "subject", name=op.f("pk_identities")),
    )
    with op.batch_alter_table("identities", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_identities_account_id"), ["account_id"], unique=False)


def downgrade() -> None:
    op.drop_table("identities")
    op.drop_table("sign_in_counts")
    op.drop_table("known_devices")
    op.drop_table("sessions")
    with op.batch_alter_table("tokens", schema=None) as batch_op:
        batch_op.drop_column("last_used_from")
        batch_op.drop_column("scopes")
