"""Readings by month.

Revision ID: 2026_11_27_partitions
Revises: 2026_11_27_seals
"""

revision: str = "2026_11_27_partitions"
down_revision: str | None = "2026_11_27_seals"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Readings by month."""


def downgrade() -> None:
    """Back to the tables before."""
