"""Old spreadsheets: uploads that wait to be taken in, and how their columns are read.

`spreadsheet_uploads.cells` is what was read from `content` once. An upload, with what was put right
in it, is removed when it is done with; what was taken in from it stands in the tables of the facts.
Nothing here is secret.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_spreadsheets"
down_revision: str | None = "2026_11_27_notices"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    op.create_table(
        "spreadsheet_uploads",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("cells", sa.LargeBinary(), nullable=False),
        sa.Column("uploaded_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("uploaded_by", sa.String(length=120), nullable=False),
        sa.Column("mapping", sa.Text(), nullable=False),
        sa.Column("found", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("taken_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("taken_by", sa.String(length=120), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spreadsheet_uploads")),
    )
    op.create_table(
        "spreadsheet_mappings",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("header_mark", sa.String(length=64), nullable=False),
        sa.Column("mapping", sa.Text(), nullable=False),
        sa.Column("kept_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("kept_by", sa.String(length=120), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spreadsheet_mappings")),
    )
    op.create_index("uq_spreadsheet_mappings_name", "spreadsheet_mappings", ["name"], unique=True)
    op.create_table(
        "spreadsheet_fixes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("upload_id", sa.Uuid(), nullable=False),
        sa.Column("row", sa.Integer(), nullable=False),
        sa.Column("cells", sa.Text(), nullable=False),
        sa.Column("fixed_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("fixed_by", sa.String(length=120), nullable=False),
        sa.ForeignKeyConstraint(
            ["upload_id"], ["spreadsheet_uploads.id"], name=op.f("fk_spreadsheet_fixes_upload_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spreadsheet_fixes")),
    )
    op.create_index(
        "uq_spreadsheet_fixes_upload_row", "spreadsheet_fixes", ["upload_id", "row"], unique=True
    )


def downgrade() -> None:
    op.drop_table("spreadsheet_fixes")
    op.drop_table("spreadsheet_mappings")
    op.drop_table("spreadsheet_uploads")
