"""Passwords and PINs that somebody else chose: until when they open the page to choose one's own.

`secret_once_until` is blank for secrets that their owner chose, and for all from before.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_first_passwords"
down_revision: str | None = "2026_11_27_retired"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    # A blank column is added in place on both engines: no table is written anew.
    op.add_column(
        "accounts", sa.Column("secret_once_until", db.UtcInstant(timezone=True), nullable=True)
    )


def downgrade() -> None:
    op.drop_column("accounts", "secret_once_until")
