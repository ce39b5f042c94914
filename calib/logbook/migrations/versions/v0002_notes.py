"""Notes, photographs, and the names that other books have for the same things."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables; what is in the logbook stays as it is."""
    op.create_table(
        "aliases",
        sa.Column("foreign_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("local_id", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_aliases_change_id")),
        sa.PrimaryKeyConstraint("foreign_id", name=op.f("pk_aliases")),
    )
    op.create_table(
        "notes",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=True),
        sa.Column("sheet_id", sa.Text(), nullable=True),
        sa.Column("board_id", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["board_id"], ["boards.id"], name=op.f("fk_notes_board_id")),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_notes_change_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_notes_machine_id")),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"], name=op.f("fk_notes_sheet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notes")),
    )
    op.create_index(op.f("ix_notes_at"), "notes", ["at"], unique=False)
    op.create_index(op.f("ix_notes_board_id"), "notes", ["board_id"], unique=False)
    op.create_index(
        op.f("ix_notes_machine_id_sheet_id"), "notes", ["machine_id", "sheet_id"], unique=False
    )
    op.create_index(op.f("ix_notes_sheet_id"), "notes", ["sheet_id"], unique=False)
    op.create_table(
        "photographs",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("board_id", sa.Text(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("filename", sa.Text(), nullable=False),
        sa.Column("media_type", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["board_id"], ["boards.id"], name=op.f("fk_photographs_board_id")),
        sa.ForeignKeyConstraint(
            ["change_id"], ["changes.id"], name=op.f("fk_photographs_change_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photographs")),
    )
    op.create_index(op.f("ix_photographs_board_id"), "photographs", ["board_id"], unique=False)
