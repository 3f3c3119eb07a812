"""What the clock of the tablet said when an entry was logged."""

from collections.abc import Sequence

revision: str = "2026_11_27_tablet_clock"
down_revision: str | None = "2026_11_27_people_at_a_tablet"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """Nothing yet."""


def downgrade() -> None:
    """Nothing yet."""
