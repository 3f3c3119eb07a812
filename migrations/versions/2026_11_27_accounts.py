"""Scopes of tokens, and sign-in by an identity provider.

Revision ID: 2026_11_27_accounts
Revises: 2026_11_27_spreadsheets
"""

revision: str = "2026_11_27_accounts"
down_revision: str | None = "2026_11_27_spreadsheets"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Scopes of tokens, and sign-in by an identity provider."""


def downgrade() -> None:
    """Back to the tables before."""
