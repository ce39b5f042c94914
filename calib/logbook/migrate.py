"""Bring the tables of a logbook to the version that this program writes."""

from __future__ import annotations

import itertools
from pathlib import Path

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.files import copy_database, is_read_only, name_new, part_beside
from calib.logbook.identity import (
    BACKUP_FOLDER,
    identity_in,
    identity_of,
    new_identity,
    set_identity,
)
from calib.logbook.opening import WRITES, Place
from calib.logbook.tables import HEAD

MIGRATIONS = Path(__file__).parent / "migrations"
# Any number will do, as long as every calib takes the same one.
_SERVER_LOCK = 710_319_004


def version_of(connection: sa.Connection) -> str | None:
    """Read the version of the tables.

    Raises LogbookError when there are tables, but not a logbook's.
    """
    names = set(sa.inspect(connection).get_table_names())
    if not names:
        return None
    if "alembic_version" not in names:
        raise LogbookError(
            f"The database holds other tables ({', '.join(sorted(names)[:3])}) and is no logbook:"
            " give another path or database."
        )
    return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def bring_up_to_date(engine: sa.Engine, place: Place, *, keep_copy: bool = True) -> None:
    """Make the tables, or migrate them after a backup; refuse a newer logbook.

    Raises LogbookError when the logbook is newer than this program, or a migration fails; nothing
    is changed then.
    """
    with engine.connect() as connection:
        before = version_of(connection)
        named = identity_in(connection) is not None
    read_only = place.path is not None and is_read_only(place.path)
    if before == HEAD and (named or read_only):
        return
    if before == HEAD:
        with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
            _name(connection, place)
        return
    if before is not None and before not in _known_versions():
        raise LogbookError(
            f"The logbook {place.shown} is of version {before}, newer than this program's {HEAD}:"
            " bring calib up to date; the logbook was left as it is."
        )
    if before is not None and read_only:
        raise LogbookError(
            f"The logbook {place.shown} is of version {before} and can't be brought to {HEAD} where"
            " nothing can be written: copy it into a folder that you may write in."
        )
    if before is not None and place.path is not None and keep_copy:
        _keep_copy(place.path, before)
    with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
        _upgrade(connection, place)
        _name(connection, place)


def _name(connection: sa.Connection, place: Place) -> None:
    """Give a logbook that has none its identity: an older one that of its earlier backups."""
    _one_program(connection)
    if identity_in(connection) is None:
        known = None if place.path is None else identity_of(place.path)
        set_identity(connection, known or new_identity())


def _one_program(connection: sa.Connection) -> None:
    if connection.dialect.name == "postgresql":
        # Held until the transaction ends, so that two programs don't make the tables at once.
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_SERVER_LOCK)))


def _known_versions() -> set[str]:
    from alembic.script import ScriptDirectory  # only wanted when there is something to migrate

    return {revision.revision for revision in ScriptDirectory(str(MIGRATIONS)).walk_revisions()}


def _upgrade(connection: sa.Connection, place: Place) -> None:
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    _one_program(connection)
    scripts = ScriptDirectory(str(MIGRATIONS))
    steps = EnvironmentContext(
        Config(), scripts, fn=lambda current, _: scripts._upgrade_revs(HEAD, current)
    )
    try:
        with steps:
            steps.configure(connection=connection, transactional_ddl=True)
            steps.run_migrations()
    except sa.exc.DBAPIError as error:
        raise LogbookError(
            f"The logbook {place.shown} could not be brought to version {HEAD} ({error.orig});"
            " it was left as it is."
        ) from error


def _keep_copy(path: Path, version: str) -> None:
    """Copy the file before it is migrated; an earlier copy is never overwritten."""
    folder = path.parent / BACKUP_FOLDER
    folder.mkdir(exist_ok=True)
    for number in itertools.count(1):
        target = folder / f"{path.stem}-version-{version}-{number}.sqlite3"
        if target.exists():
            continue
        with part_beside(target) as part:
            copy_database(path, part)
            try:
                name_new(part, target)
            except FileExistsError:
                continue
        return
