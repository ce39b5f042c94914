"""The first tables: machines, sheets, boards, readings, jobs, promises, settled settings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables; the logbook is empty before."""
    op.create_table(
        "changes",
        sa.Column(
            "seq",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=True,
            nullable=False,
        ),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=True),
        sa.Column("sheet_id", sa.Text(), nullable=True),
        sa.Column("board_id", sa.Text(), nullable=True),
        sa.Column("undoes", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_changes")),
        sa.UniqueConstraint("id", name=op.f("uq_changes_id")),
    )
    op.create_index(op.f("ix_changes_board_id"), "changes", ["board_id"], unique=False)
    op.create_index(
        op.f("ix_changes_machine_id_sheet_id"), "changes", ["machine_id", "sheet_id"], unique=False
    )
    op.create_index(op.f("ix_changes_undoes"), "changes", ["undoes"], unique=False)
    op.create_table(
        "machines",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_machines_change_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machines")),
        sa.UniqueConstraint("name", name=op.f("uq_machines_name")),
    )
    op.create_table(
        "sheets",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("material", sa.Text(), nullable=False),
        sa.Column("material_key", sa.Text(), nullable=False),
        sa.Column("thickness_mm", sa.Double(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_sheets_change_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sheets")),
        sa.UniqueConstraint("name", name=op.f("uq_sheets_name")),
    )
    op.create_index(op.f("ix_sheets_material_key"), "sheets", ["material_key"], unique=False)
    op.create_table(
        "withdrawals",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("target_id", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["change_id"], ["changes.id"], name=op.f("fk_withdrawals_change_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_withdrawals")),
        sa.UniqueConstraint("target_id", name=op.f("uq_withdrawals_target_id")),
    )
    op.create_table(
        "boards",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=False),
        sa.Column("sheet_id", sa.Text(), nullable=False),
        sa.Column("planned_at", sa.Text(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("board_width_mm", sa.Double(), nullable=False),
        sa.Column("board_height_mm", sa.Double(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("sheet", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("label_power_pct", sa.Double(), nullable=False),
        sa.Column("label_speed_mm_s", sa.Double(), nullable=False),
        sa.Column("label_passes", sa.Integer(), nullable=False),
        sa.Column("label_line_pitch_mm", sa.Double(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_boards_change_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_boards_machine_id")),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"], name=op.f("fk_boards_sheet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_boards")),
        sa.UniqueConstraint("code", name=op.f("uq_boards_code")),
    )
    op.create_index(
        op.f("ix_boards_machine_id_sheet_id"), "boards", ["machine_id", "sheet_id"], unique=False
    )
    op.create_index(op.f("ix_boards_planned_at"), "boards", ["planned_at"], unique=False)
    op.create_index(op.f("ix_boards_sheet_id"), "boards", ["sheet_id"], unique=False)
    op.create_table(
        "promises",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=False),
        sa.Column("sheet_id", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("power_pct", sa.Double(), nullable=False),
        sa.Column("speed_mm_s", sa.Double(), nullable=False),
        sa.Column("passes", sa.Integer(), nullable=False),
        sa.Column("line_pitch_mm", sa.Double(), nullable=True),
        sa.Column("aim", sa.Text(), nullable=False),
        sa.Column("reliability", sa.Double(), nullable=False),
        sa.Column("chance", sa.Double(), nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("char_at_most", sa.Integer(), nullable=True),
        sa.Column("mark", sa.Integer(), nullable=True),
        sa.Column("cut_length_mm", sa.Double(), nullable=True),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_promises_change_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_promises_machine_id")
        ),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"], name=op.f("fk_promises_sheet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_promises")),
    )
    op.create_index(
        op.f("ix_promises_machine_id_sheet_id"),
        "promises",
        ["machine_id", "sheet_id"],
        unique=False,
    )
    op.create_index(op.f("ix_promises_sheet_id"), "promises", ["sheet_id"], unique=False)
    op.create_table(
        "setups",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("follows", sa.Text(), nullable=True),
        sa.Column("follows_too", sa.Text(), nullable=True),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_setups_change_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_setups_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setups")),
        sa.UniqueConstraint("machine_id", "turn", name=op.f("uq_setups_machine_id_turn")),
    )
    op.create_table(
        "sheet_versions",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("sheet_id", sa.Text(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("measured_mm", sa.Double(), nullable=True),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("follows", sa.Text(), nullable=True),
        sa.Column("follows_too", sa.Text(), nullable=True),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["change_id"], ["changes.id"], name=op.f("fk_sheet_versions_change_id")
        ),
        sa.ForeignKeyConstraint(
            ["sheet_id"], ["sheets.id"], name=op.f("fk_sheet_versions_sheet_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sheet_versions")),
        sa.UniqueConstraint("sheet_id", "turn", name=op.f("uq_sheet_versions_sheet_id_turn")),
    )
    op.create_table(
        "cells",
        sa.Column("board_id", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("power_pct", sa.Double(), nullable=False),
        sa.Column("speed_mm_s", sa.Double(), nullable=False),
        sa.Column("passes", sa.Integer(), nullable=False),
        sa.Column("line_pitch_mm", sa.Double(), nullable=True),
        sa.Column("x_mm", sa.Double(), nullable=False),
        sa.Column("y_mm", sa.Double(), nullable=False),
        sa.Column("width_mm", sa.Double(), nullable=False),
        sa.Column("height_mm", sa.Double(), nullable=False),
        sa.Column("burn_order", sa.Integer(), nullable=False),
        sa.Column("block", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["board_id"], ["boards.id"], name=op.f("fk_cells_board_id")),
        sa.PrimaryKeyConstraint("board_id", "label", name=op.f("pk_cells")),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=False),
        sa.Column("sheet_id", sa.Text(), nullable=False),
        sa.Column("setup_id", sa.Text(), nullable=False),
        sa.Column("promise_id", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("sitting", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.CheckConstraint("kind IN ('job', 'check_strip')", name=op.f("ck_runs_kind")),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_runs_change_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_runs_machine_id")),
        sa.ForeignKeyConstraint(["promise_id"], ["promises.id"], name=op.f("fk_runs_promise_id")),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_runs_setup_id")),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"], name=op.f("fk_runs_sheet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
    )
    op.create_index(op.f("ix_runs_at"), "runs", ["at"], unique=False)
    op.create_index(
        op.f("ix_runs_machine_id_sheet_id"), "runs", ["machine_id", "sheet_id"], unique=False
    )
    op.create_index(op.f("ix_runs_promise_id"), "runs", ["promise_id"], unique=False)
    op.create_index(op.f("ix_runs_sheet_id"), "runs", ["sheet_id"], unique=False)
    op.create_table(
        "settled",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=False),
        sa.Column("sheet_id", sa.Text(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("power_pct", sa.Double(), nullable=True),
        sa.Column("speed_mm_s", sa.Double(), nullable=True),
        sa.Column("passes", sa.Integer(), nullable=True),
        sa.Column("line_pitch_mm", sa.Double(), nullable=True),
        sa.Column("promise_id", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("follows", sa.Text(), nullable=True),
        sa.Column("follows_too", sa.Text(), nullable=True),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_settled_change_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_settled_machine_id")
        ),
        sa.ForeignKeyConstraint(
            ["promise_id"], ["promises.id"], name=op.f("fk_settled_promise_id")
        ),
        sa.ForeignKeyConstraint(["sheet_id"], ["sheets.id"], name=op.f("fk_settled_sheet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_settled")),
        sa.UniqueConstraint(
            "machine_id",
            "sheet_id",
            "operation",
            "turn",
            name=op.f("uq_settled_machine_id_sheet_id_operation_turn"),
        ),
    )
    op.create_index(op.f("ix_settled_sheet_id"), "settled", ["sheet_id"], unique=False)
    op.create_table(
        "sittings",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Text(), nullable=False),
        sa.Column("setup_id", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("focus_mm", sa.Double(), nullable=True),
        sa.Column("air", sa.Boolean(), nullable=True),
        sa.Column("lens_cleaned", sa.Boolean(), nullable=True),
        sa.Column("support", sa.Text(), nullable=False),
        sa.Column("masked", sa.Boolean(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_sittings_change_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_sittings_machine_id")
        ),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_sittings_setup_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sittings")),
        sa.UniqueConstraint("machine_id", "label", name=op.f("uq_sittings_machine_id_label")),
    )
    op.create_table(
        "forecasts",
        sa.Column("board_id", sa.Text(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("event", sa.Text(), nullable=False),
        sa.Column("chance", sa.Double(), nullable=False),
        sa.CheckConstraint("chance >= 0 AND chance <= 1", name=op.f("ck_forecasts_chance")),
        sa.ForeignKeyConstraint(
            ["board_id", "cell"],
            ["cells.board_id", "cells.label"],
            name=op.f("fk_forecasts_board_id_cell"),
        ),
        sa.PrimaryKeyConstraint("board_id", "cell", "event", name=op.f("pk_forecasts")),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("board_id", sa.Text(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("through", sa.Text(), nullable=True),
        sa.Column("char", sa.Integer(), nullable=True),
        sa.Column("mark", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("width_mm", sa.Double(), nullable=True),
        sa.Column("height_mm", sa.Double(), nullable=True),
        sa.Column("sitting", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("setup_id", sa.Text(), nullable=False),
        sa.Column("follows", sa.Text(), nullable=True),
        sa.Column("follows_too", sa.Text(), nullable=True),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "through IN ('no', 'hanging', 'through')", name=op.f("ck_readings_through")
        ),
        sa.CheckConstraint("char BETWEEN 0 AND 4", name=op.f("ck_readings_char")),
        sa.CheckConstraint("mark BETWEEN 0 AND 4", name=op.f("ck_readings_mark")),
        sa.ForeignKeyConstraint(
            ["board_id", "cell"],
            ["cells.board_id", "cells.label"],
            name=op.f("fk_readings_board_id_cell"),
        ),
        sa.ForeignKeyConstraint(["change_id"], ["changes.id"], name=op.f("fk_readings_change_id")),
        sa.ForeignKeyConstraint(["setup_id"], ["setups.id"], name=op.f("fk_readings_setup_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.UniqueConstraint(
            "board_id", "cell", "turn", name=op.f("uq_readings_board_id_cell_turn")
        ),
    )
    op.create_table(
        "run_burns",
        sa.Column("run_id", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("power_pct", sa.Double(), nullable=False),
        sa.Column("speed_mm_s", sa.Double(), nullable=False),
        sa.Column("passes", sa.Integer(), nullable=False),
        sa.Column("line_pitch_mm", sa.Double(), nullable=True),
        sa.Column("through", sa.Text(), nullable=True),
        sa.Column("char", sa.Integer(), nullable=True),
        sa.Column("mark", sa.Integer(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("cut_length_mm", sa.Double(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("sitting", sa.Text(), nullable=False),
        sa.Column("x_mm", sa.Double(), nullable=True),
        sa.Column("y_mm", sa.Double(), nullable=True),
        sa.Column("burn_order", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "through IN ('no', 'hanging', 'through')", name=op.f("ck_run_burns_through")
        ),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_run_burns_run_id")),
        sa.PrimaryKeyConstraint("run_id", "position", name=op.f("pk_run_burns")),
    )
