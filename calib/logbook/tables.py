"""The tables of the logbook.

Rows are only ever added. What can change (the set-up of a machine, the lot of a sheet, the
description of a sitting, the reading of a cell, a settled setting) is a chain of rows: each
`follows` the row that it supersedes, and the row with the highest `turn` counts. `turn` is local to
one book; `follows` travels, so that two books can be merged without guessing which row is newer by
its clock.
"""

from __future__ import annotations

import sqlalchemy as sa

# The version of the tables that this program writes; the last file in migrations/versions.
HEAD = "0004"

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)


def _text(name: str, *args: sa.schema.SchemaItem, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, *args, nullable=null)


def _real(name: str, *, null: bool = True) -> sa.Column[float]:
    return sa.Column(name, sa.Double, nullable=null)


def _whole(name: str, *, null: bool = True) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=null)


def _to(name: str, target: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, sa.ForeignKey(target), nullable=null)


def _id() -> sa.Column[str]:
    return sa.Column("id", sa.Text, primary_key=True)


def _change() -> sa.Column[str]:
    return _to("change_id", "changes.id")


def _chain() -> list[sa.Column[str] | sa.Column[int]]:
    return [
        _text("follows", null=True),
        _text("follows_too", null=True),
        _whole("turn", null=False),
        _change(),
    ]


def _setting() -> list[sa.Column[float] | sa.Column[int]]:
    return [
        _real("power_pct", null=False),
        _real("speed_mm_s", null=False),
        _whole("passes", null=False),
        _real("line_pitch_mm"),
    ]


# Every write is one change; `seq` is the order in which this book took them down, whatever the
# clock said.
changes = sa.Table(
    "changes",
    metadata,
    sa.Column(
        "seq",
        sa.BigInteger().with_variant(sa.Integer, "sqlite"),
        primary_key=True,
        autoincrement=True,
    ),
    _text("id"),
    _text("at"),
    _text("kind"),
    _text("why"),
    _text("machine_id", null=True),
    _text("sheet_id", null=True),
    _text("board_id", null=True),
    _text("undoes", null=True),
    sa.UniqueConstraint("id"),
    sa.Index(None, "board_id"),
    sa.Index(None, "machine_id", "sheet_id"),
    sa.Index(None, "undoes"),
)

machines = sa.Table(
    "machines", metadata, _id(), _text("name"), _change(), sa.UniqueConstraint("name")
)

setups = sa.Table(
    "setups",
    metadata,
    _id(),
    _to("machine_id", "machines.id"),
    _text("what"),
    _text("since"),
    _text("note"),
    _text("record"),
    *_chain(),
    sa.UniqueConstraint("machine_id", "turn"),
)

sheets = sa.Table(
    "sheets",
    metadata,
    _id(),
    _text("name"),
    _text("material"),
    _text("material_key"),
    _real("thickness_mm", null=False),
    _change(),
    sa.UniqueConstraint("name"),
    sa.Index(None, "material_key"),
)

sheet_versions = sa.Table(
    "sheet_versions",
    metadata,
    _id(),
    _to("sheet_id", "sheets.id"),
    _text("since"),
    _text("note"),
    _text("lot"),
    _real("measured_mm"),
    _text("record"),
    *_chain(),
    sa.UniqueConstraint("sheet_id", "turn"),
)

sittings = sa.Table(
    "sittings",
    metadata,
    _id(),
    _to("machine_id", "machines.id"),
    _to("setup_id", "setups.id"),
    _text("label"),
    _text("at"),
    _real("focus_mm"),
    sa.Column("air", sa.Boolean),
    sa.Column("lens_cleaned", sa.Boolean),
    _text("support"),
    sa.Column("masked", sa.Boolean),
    _text("note"),
    *_chain(),
    sa.UniqueConstraint("machine_id", "label", "turn"),
)

# `machine` and `sheet` are the records as they were when the board was planned.
boards = sa.Table(
    "boards",
    metadata,
    _id(),
    _text("code"),
    _to("machine_id", "machines.id"),
    _to("sheet_id", "sheets.id"),
    _text("planned_at"),
    _text("operation"),
    _whole("round", null=False),
    _real("board_width_mm", null=False),
    _real("board_height_mm", null=False),
    _text("machine"),
    _text("sheet"),
    _text("lot"),
    _real("label_power_pct", null=False),
    _real("label_speed_mm_s", null=False),
    _whole("label_passes", null=False),
    _real("label_line_pitch_mm"),
    _text("notes"),
    _change(),
    sa.UniqueConstraint("code"),
    sa.Index(None, "machine_id", "sheet_id"),
    sa.Index(None, "planned_at"),
    sa.Index(None, "sheet_id"),
)

cells = sa.Table(
    "cells",
    metadata,
    sa.Column("board_id", sa.Text, sa.ForeignKey("boards.id"), primary_key=True),
    sa.Column("label", sa.Text, primary_key=True),
    _whole("position", null=False),
    *_setting(),
    _real("x_mm", null=False),
    _real("y_mm", null=False),
    _real("width_mm", null=False),
    _real("height_mm", null=False),
    _whole("burn_order", null=False),
    _whole("block", null=False),
)

forecasts = sa.Table(
    "forecasts",
    metadata,
    sa.Column("board_id", sa.Text, primary_key=True),
    sa.Column("cell", sa.Text, primary_key=True),
    sa.Column("event", sa.Text, primary_key=True),
    _real("chance", null=False),
    sa.ForeignKeyConstraint(["board_id", "cell"], ["cells.board_id", "cells.label"]),
    sa.CheckConstraint("chance >= 0 AND chance <= 1", name="chance"),
)

readings = sa.Table(
    "readings",
    metadata,
    _id(),
    _text("board_id"),
    _text("cell"),
    _text("at"),
    _text("through", null=True),
    _whole("char"),
    _whole("mark"),
    _text("note"),
    _real("width_mm"),
    _real("height_mm"),
    _text("sitting"),
    _text("why"),
    _to("setup_id", "setups.id"),
    *_chain(),
    sa.ForeignKeyConstraint(["board_id", "cell"], ["cells.board_id", "cells.label"]),
    sa.UniqueConstraint("board_id", "cell", "turn"),
    sa.CheckConstraint("through IN ('no', 'hanging', 'through')", name="through"),
    sa.CheckConstraint("char BETWEEN 0 AND 4", name="char"),
    sa.CheckConstraint("mark BETWEEN 0 AND 4", name="mark"),
)

promises = sa.Table(
    "promises",
    metadata,
    _id(),
    _to("machine_id", "machines.id"),
    _to("sheet_id", "sheets.id"),
    _text("at"),
    _text("lot"),
    _text("operation"),
    *_setting(),
    _text("aim"),
    _real("reliability", null=False),
    _real("chance", null=False),
    _text("scope"),
    _whole("char_at_most"),
    _whole("mark"),
    _real("cut_length_mm"),
    _change(),
    sa.Index(None, "machine_id", "sheet_id"),
    sa.Index(None, "sheet_id"),
)

# Jobs and check strips: burns that no planned board holds.
runs = sa.Table(
    "runs",
    metadata,
    _id(),
    _text("kind"),
    _to("machine_id", "machines.id"),
    _to("sheet_id", "sheets.id"),
    _to("setup_id", "setups.id"),
    _to("promise_id", "promises.id", null=True),
    _text("at"),
    _text("operation"),
    _text("lot"),
    _text("sitting"),
    _text("note"),
    _change(),
    sa.Index(None, "machine_id", "sheet_id"),
    sa.Index(None, "sheet_id"),
    sa.Index(None, "at"),
    sa.Index(None, "promise_id"),
    sa.CheckConstraint("kind IN ('job', 'check_strip')", name="kind"),
)

run_burns = sa.Table(
    "run_burns",
    metadata,
    sa.Column("run_id", sa.Text, sa.ForeignKey("runs.id"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
    _text("operation"),
    *_setting(),
    _text("through", null=True),
    _whole("char"),
    _whole("mark"),
    sa.Column("count", sa.Integer, nullable=False),
    _real("cut_length_mm"),
    _text("source"),
    _text("sitting"),
    _real("x_mm"),
    _real("y_mm"),
    _whole("burn_order"),
    sa.CheckConstraint("through IN ('no', 'hanging', 'through')", name="through"),
)

# A row without a setting means: nothing is settled any more.
settled = sa.Table(
    "settled",
    metadata,
    _id(),
    _to("machine_id", "machines.id"),
    _to("sheet_id", "sheets.id"),
    _text("operation"),
    _text("at"),
    _text("lot"),
    _real("power_pct"),
    _real("speed_mm_s"),
    _whole("passes"),
    _real("line_pitch_mm"),
    _to("promise_id", "promises.id", null=True),
    _text("note"),
    *_chain(),
    sa.UniqueConstraint("machine_id", "sheet_id", "operation", "turn"),
    sa.Index(None, "sheet_id"),
)

# What was taken back as a whole: a job or check strip stays in the book, but no longer counts.
withdrawals = sa.Table(
    "withdrawals",
    metadata,
    _id(),
    _text("kind"),
    _text("target_id"),
    _text("at"),
    _text("why"),
    _change(),
    sa.UniqueConstraint("target_id"),
)

notes = sa.Table(
    "notes",
    metadata,
    _id(),
    _to("machine_id", "machines.id", null=True),
    _to("sheet_id", "sheets.id", null=True),
    _to("board_id", "boards.id", null=True),
    _text("at"),
    _text("text"),
    _change(),
    sa.Index(None, "at"),
    sa.Index(None, "machine_id", "sheet_id"),
    sa.Index(None, "sheet_id"),
    sa.Index(None, "board_id"),
)

photographs = sa.Table(
    "photographs",
    metadata,
    _id(),
    _to("board_id", "boards.id"),
    _text("cell"),
    _text("filename"),
    _text("media_type"),
    _text("at"),
    sa.Column("content", sa.LargeBinary, nullable=False),
    _change(),
    sa.Index(None, "board_id"),
)

# Costs, timed jobs, combs and their readings: of each kind and label the newest counts.
kept = sa.Table(
    "kept",
    metadata,
    _id(),
    _text("kind"),
    _text("label"),
    _to("machine_id", "machines.id", null=True),
    _to("sheet_id", "sheets.id", null=True),
    _text("at"),
    _text("content"),
    _text("note"),
    _change(),
    sa.Index(None, "kind", "label"),
    sa.Index(None, "machine_id", "sheet_id"),
)

# Two books may have taken one machine, sheet or board into them each on its own: what another
# book calls `foreign_id` is `local_id` here.
aliases = sa.Table(
    "aliases",
    metadata,
    sa.Column("foreign_id", sa.Text, primary_key=True),
    _text("kind"),
    _text("local_id"),
    _change(),
)
