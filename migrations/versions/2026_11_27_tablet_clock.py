"""What the clock of the tablet said when an entry was logged.

`tablet_clock_error_s` is in seconds, above zero where the tablet was ahead of the server; blank
for entries that were not logged on a tablet, and for all from before. When the server received an
entry stands in its audit record. `current_entries` has the same column, derived like its others.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

revision: str = "2026_11_27_tablet_clock"
down_revision: str | None = "2026_11_27_people_at_a_tablet"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None

TABLES = ("entries", "current_entries")


def upgrade() -> None:
    # A blank column is added in place on both engines: no table is written anew.
    for table in TABLES:
        op.add_column(table, sa.Column("tablet_clock_error_s", sa.Double(), nullable=True))


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_column(table, "tablet_clock_error_s")
