"""People who share a tablet: PINs, tablets, and wall screens that can only read."""

from collections.abc import Sequence

revision: str = "2026_11_27_people_at_a_tablet"
down_revision: str | None = "2026_11_26_whole_cases"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    """Nothing yet."""


def downgrade() -> None:
    """Nothing yet."""
