"""Old spreadsheets: uploads that wait to be taken in, and how their columns are read."""

from collections.abc import Sequence

revision: str = "2026_11_27_spreadsheets"
down_revision: str | None = "2026_11_27_notices"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """Nothing yet."""


def downgrade() -> None:
    """Nothing yet."""
