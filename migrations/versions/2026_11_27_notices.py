"""Who is told what, by which way, and what was sent."""

from collections.abc import Sequence

revision: str = "2026_11_27_notices"
down_revision: str | None = "2026_11_27_tablet_clock"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """Nothing yet."""


def downgrade() -> None:
    """Nothing yet."""
