"""What a workshop keeps beside its burns: costs, timed jobs, comb boards and their readings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table; what is in the logbook stays as it is."""
    op.create_table(
        "kept",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=True),
        sa.Column("sheet_id", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_kept_change_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_kept_machine_id")),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"], name=op.f("fk_kept_sheet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kept")),
    )
    op.create_index(op.f("ix_kept_kind_label"), "kept", ["kind", "label"], unique=False)
    op.create_index(
        op.f("ix_kept_machine_id_sheet_id"), "kept", ["machine_id", "sheet_id"], unique=False
    )
