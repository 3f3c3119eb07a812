"""Who is told what, by which way, and what was sent.

`subscriptions` and `webhooks` are settings of people. No secret is in these tables: what signs a
webhook's messages is worked out from the installation's secret key, the webhook's id and
`secret_number` each time it is needed; `secret_check` (the first 8 bytes of its SHA-256) only tells
a process whether it has that same key. `notices`, `outbox` and `outbox_attempts` say what people
were told and what became of it: they cannot be worked out again, so they are kept and backed up.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_notices"
down_revision: str | None = "2026_11_27_tablet_clock"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    op.create_table(
        "webhooks",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("url", sa.String(length=500), nullable=False),
        sa.Column("secret_number", sa.Integer(), nullable=False),
        sa.Column("secret_check", sa.String(length=16), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("off_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("off_why", sa.Text(), nullable=True),
        sa.Column("created_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_webhooks_account_id")
        ),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_webhooks_audit_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_webhooks")),
    )
    with op.batch_alter_table("webhooks", schema=None) as batch_op:
        batch_op.create_index("uq_webhooks_account_id_url", ["account_id", "url"], unique=True)
    op.create_table(
        "subscriptions",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("kinds", sa.Text(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("least_severity", sa.String(length=20), nullable=True),
        sa.Column("days_ahead", sa.Integer(), nullable=False),
        sa.Column("way", sa.String(length=10), nullable=False),
        sa.Column("address", sa.String(length=254), nullable=True),
        sa.Column("webhook_id", sa.Uuid(), nullable=True),
        sa.Column("pace", sa.String(length=10), nullable=False),
        sa.Column("daily_at", sa.String(length=5), nullable=True),
        sa.Column("quiet_from", sa.String(length=5), nullable=True),
        sa.Column("quiet_to", sa.String(length=5), nullable=True),
        sa.Column("leaks_at_once", sa.Boolean(), nullable=False),
        sa.Column("created_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint(
            "(way = 'email') = (address IS NOT NULL) AND (way = 'webhook') = (webhook_id IS NOT"
            " NULL)",
            name=op.f("ck_subscriptions_way_and_where"),
        ),
        sa.CheckConstraint(
            "(quiet_from IS NULL) = (quiet_to IS NULL)",
            name=op.f("ck_subscriptions_quiet_both_ends"),
        ),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_subscriptions_account_id")
        ),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_subscriptions_audit_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_subscriptions_line_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_subscriptions_machine_id")
        ),
        sa.ForeignKeyConstraint(
            ["webhook_id"], ["webhooks.id"], name=op.f("fk_subscriptions_webhook_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_subscriptions")),
    )
    with op.batch_alter_table("subscriptions", schema=None) as batch_op:
        batch_op.create_index("ix_subscriptions_account_id", ["account_id"], unique=False)
    op.create_table(
        "outbox",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("subscription_id", sa.Uuid(), nullable=False),
        sa.Column("way", sa.String(length=10), nullable=False),
        sa.Column("address", sa.String(length=500), nullable=False),
        sa.Column("webhook_id", sa.Uuid(), nullable=True),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("lease_until", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("claim_id", sa.Uuid(), nullable=True),
        sa.Column("made_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "state IN ('waiting', 'claimed', 'sent', 'given up')",
            name=op.f("ck_outbox_state_known"),
        ),
        sa.ForeignKeyConstraint(
            ["subscription_id"], ["subscriptions.id"], name=op.f("fk_outbox_subscription_id")
        ),
        sa.ForeignKeyConstraint(["webhook_id"], ["webhooks.id"], name=op.f("fk_outbox_webhook_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index("ix_outbox_made_at", ["made_at"], unique=False)
        batch_op.create_index("ix_outbox_state_next_at", ["state", "next_at"], unique=False)
        batch_op.create_index("ix_outbox_subscription_id", ["subscription_id"], unique=False)
    op.create_table(
        "notices",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("subscription_id", sa.Uuid(), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("occasion", sa.String(length=300), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("place", sa.String(length=120), nullable=False),
        sa.Column("severity", sa.String(length=20), nullable=True),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("link", sa.String(length=500), nullable=False),
        sa.Column("happened_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("found_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("send_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("message_id", sa.Uuid(), nullable=True),
        sa.Column("read_at", db.UtcInstant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_notices_account_id")
        ),
        sa.ForeignKeyConstraint(["message_id"], ["outbox.id"], name=op.f("fk_notices_message_id")),
        sa.ForeignKeyConstraint(
            ["subscription_id"], ["subscriptions.id"], name=op.f("fk_notices_subscription_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
    )
    with op.batch_alter_table("notices", schema=None) as batch_op:
        batch_op.create_index(
            "ix_notices_account_id_read_at", ["account_id", "read_at"], unique=False
        )
        batch_op.create_index("ix_notices_message_id", ["message_id"], unique=False)
        batch_op.create_index("ix_notices_send_at", ["send_at"], unique=False)
        batch_op.create_index(
            "uq_notices_subscription_id_occasion", ["subscription_id", "occasion"], unique=True
        )
    op.create_table(
        "outbox_attempts",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("message_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("began_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("accepted", sa.Boolean(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.Column("duration_ms", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["message_id"], ["outbox.id"], name=op.f("fk_outbox_attempts_message_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox_attempts")),
    )
    with op.batch_alter_table("outbox_attempts", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_outbox_attempts_message_id"), ["message_id"], unique=False
        )


def downgrade() -> None:
    with op.batch_alter_table("outbox_attempts", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_outbox_attempts_message_id"))
    op.drop_table("outbox_attempts")
    with op.batch_alter_table("notices", schema=None) as batch_op:
        batch_op.drop_index("uq_notices_subscription_id_occasion")
        batch_op.drop_index("ix_notices_send_at")
        batch_op.drop_index("ix_notices_message_id")
        batch_op.drop_index("ix_notices_account_id_read_at")
    op.drop_table("notices")
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.drop_index("ix_outbox_subscription_id")
        batch_op.drop_index("ix_outbox_state_next_at")
        batch_op.drop_index("ix_outbox_made_at")
    op.drop_table("outbox")
    with op.batch_alter_table("subscriptions", schema=None) as batch_op:
        batch_op.drop_index("ix_subscriptions_account_id")
    op.drop_table("subscriptions")
    with op.batch_alter_table("webhooks", schema=None) as batch_op:
        batch_op.drop_index("uq_webhooks_account_id_url")
    op.drop_table("webhooks")
