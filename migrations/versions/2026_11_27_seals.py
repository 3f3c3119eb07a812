"""Seals of rows, by which a row altered by hand is found.

Revision ID: 2026_11_27_seals
Revises: 2026_11_27_accounts
"""

revision: str = "2026_11_27_seals"
down_revision: str | None = "2026_11_27_accounts"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Seals of rows, by which a row altered by hand is found."""


def downgrade() -> None:
    """Back to the tables before."""
