"""Sittings can be described anew: each description follows the one that it supersedes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make each sitting the first of a chain; what is in the logbook stays as it is."""
    with op.batch_alter_table("sittings") as batch:
        batch.add_column(sa.Column("follows", sa.Text(), nullable=True))
        batch.add_column(sa.Column("follows_too", sa.Text(), nullable=True))
        batch.add_column(sa.Column("turn", sa.Integer(), nullable=False, server_default="1"))
        batch.drop_constraint("uq_sittings_machine_id_label", type_="unique")
        batch.create_unique_constraint(
            "uq_sittings_machine_id_label_turn", ["machine_id", "label", "turn"]
        )
    with op.batch_alter_table("sittings") as batch:
        batch.alter_column("turn", server_default=None)
