"""A logbook as a file: how it is opened, copied and replaced, and which backups are its own.

A file is replaced by a rename, so that a kill leaves the old one or the new one, whole. Every
connection knows which file it was made to: what is written into a file that was replaced since is
never acknowledged. Whose backup a file is says an identity inside it, which copies carry too:
names of files and counts of what they hold are used again.
"""

from __future__ import annotations

import itertools
import os
import re
import shutil
import sqlite3
import stat
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext, suppress
from pathlib import Path

from calib.errors import LogbookError, shown
from calib.texts.say import say

try:
    import fcntl
except ImportError:  # pragma: no cover  on Windows, where an open file can't be replaced anyway
    fcntl = None  # type: ignore[assignment]

BACKUP_FOLDER = "backups"
# How long a writer waits for another one [ms]: longer than any single change takes.
BUSY_MS = 30_000
# How long a restore waits until nobody has the old file open [s].
_REST_S = 5.0
# The bytes that every user of a database file locks (SQLite, "Database File Format", 1.3: the
# lock-byte page begins at 2^30; the locks themselves are 512 bytes, as in os.h of its source).
_LOCK_BYTES = (512, 1 << 30)
_JOURNALS = ("-wal", "-shm", "-journal")
# Files that a restore leaves beside a logbook; they hold the same one.
_LEFT_BY_RESTORE = re.compile(r"\.(replaced|part)-\d+(-wal|-shm|-journal)?$")

Mark = tuple[int, int]


class FileConnection(sqlite3.Connection):
    """A connection that knows which file it was made to, and whether it may be written to."""

    mark: Mark | None = None
    read_only = False


def mark_of(path: Path) -> Mark | None:
    """Tell a file from one that takes its name later; None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def true_path(path: Path) -> Path:
    """Follow links to the file itself; refuse, with LogbookError, what keeps nothing."""
    text = str(path)
    if text.casefold() == ":memory:" or text.casefold().startswith("file:"):
        raise LogbookError(say("logbook.logbook_would_be_forgotten_at_once", text=shown(text)))
    real = Path(os.path.realpath(path))
    with suppress(OSError, ValueError):
        kind = real.stat().st_mode
        if not stat.S_ISREG(kind) and not stat.S_ISDIR(kind):
            raise LogbookError(say("logbook.logbook_is_no_file_that_keeps", text=shown(text)))
    # Followed only where there is a link: messages keep what the user wrote.
    return path if real == Path(os.path.abspath(path)) else real


def is_read_only(path: Path) -> bool:
    """True for a file that can't be written to, or beside which no journal can be."""
    return path.exists() and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def connect(path: Path, *, create: bool = False) -> FileConnection:
    """Open a database file by its path; never the one that had this name before."""
    # A connection that waited while the file was replaced would go on with the old file and the new
    # one's journal, so it doesn't wait: it is made anew.
    end = time.monotonic() + BUSY_MS / 1000.0
    while True:
        read_only, before = is_read_only(path), mark_of(path)
        how = "rwc" if create else "rw"
        if read_only:
            # Nothing can be put beside it, and without a journal nothing is missing.
            how = "ro" if _has_journal(path) else "ro&immutable=1"
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={how}",
            uri=True,
            timeout=0.0,
            isolation_level=None,
            check_same_thread=False,
            factory=FileConnection,
        )
        try:
            connection.execute("PRAGMA schema_version").fetchone()
        except sqlite3.OperationalError as error:
            connection.close()
            busy = error.sqlite_errorname.startswith("SQLITE_BUSY")
            if read_only and not busy and _has_journal(path):
                raise LogbookError(say("logbook.logbook_cant_be_read_where", path=path)) from error
            if not busy or time.monotonic() > end:
                raise
            time.sleep(0.01)
            continue
        except BaseException:
            connection.close()
            raise
        connection.mark, connection.read_only = mark_of(path), read_only
        if before in (None, connection.mark):
            connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
            return connection
        connection.close()


def _beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def _has_journal(path: Path) -> bool:
    journals = [_beside(path, "-wal"), _beside(path, "-journal")]
    return any(file.exists() and file.stat().st_size for file in journals)


def _to_disk(path: Path) -> None:
    """Wait until a file, or a folder's list of names, is on the disk."""
    if path.is_dir() and os.name != "posix":
        return  # elsewhere a folder can't be opened, and needn't be
    number = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(number)
    finally:
        os.close(number)


@contextmanager
def part_beside(path: Path) -> Iterator[Path]:
    """Give a new, empty file in the folder of a path; what is left of it at the end is removed."""
    for number in itertools.count(1):
        part = _beside(path, f".part-{number}")
        with suppress(FileExistsError):
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
            break
    try:
        yield part
    finally:
        for end in ("", *_JOURNALS):
            with suppress(FileNotFoundError, NotADirectoryError):
                _beside(part, end).unlink()


def name_new(part: Path, target: Path) -> None:
    """Give a written file its name; FileExistsError when there is such a file already."""
    _to_disk(part)
    _keep(part, target)
    _to_disk(target.parent)


def copy_database(source: Path, target: Path) -> None:
    """Copy one state of a database into a file that nobody uses; others may write meanwhile."""
    with closing(connect(source)) as old, closing(sqlite3.connect(target)) as new:
        old.backup(new)
        # One file without a journal beside it: it can be moved about by hand.
        new.execute("PRAGMA journal_mode = DELETE")


def replace_file(path: Path, part: Path) -> None:
    """Put a whole new file in the place of a logbook's; LogbookError when somebody has it open.

    The old one is brought to rest first, so that its file holds all of it, and is kept under a
    name that nothing had.
    """
    _to_disk(part)
    there = path.exists()
    with _at_rest(path) if there else nullcontext():
        kept = None
        if there:
            # The name that a restore gave to this very file before it was killed.
            of = f"{path.name}.replaced-"
            names = (file for file in sorted(path.parent.iterdir()) if file.name.startswith(of))
            kept = next((name for name in names if mark_of(name) == mark_of(path)), None)
            if path.stat().st_nlink > (1 if kept is None else 2):
                raise LogbookError(say("logbook.logbook_has_another_name_too_hard", path=path))
            shutil.copymode(path, part)
            if hasattr(os, "chown"):  # those who could use the old file can use the new one
                with suppress(OSError):  # only some may give files away
                    os.chown(part, path.stat().st_uid, path.stat().st_gid)
            kept = kept or _keep(path, _free_name(path))
        # A sound file at rest has none; those of a damaged or a lost one belong to it, and would be
        # read as if they were the new one's.
        kept = kept or _free_name(path)
        for end in _JOURNALS:
            if _beside(path, end).exists():
                _keep(_beside(path, end), _beside(kept, end))
                _beside(path, end).unlink()
        _to_disk(path.parent)
        part.replace(path)
        _to_disk(path.parent)


def _free_name(path: Path) -> Path:
    for number in itertools.count(1):
        name = _beside(path, f".replaced-{number}")
        if not any(os.path.lexists(_beside(name, end)) for end in ("", *_JOURNALS)):
            break
    return name


def _keep(old: Path, kept: Path) -> Path:
    """Give a file a second name, or copy it where a disk has no links."""
    try:
        os.link(old, kept)
    except FileExistsError:
        raise
    except OSError:
        with old.open("rb") as source, kept.open("xb") as copy:
            shutil.copyfileobj(source, copy)
        _to_disk(kept)
    return kept


@contextmanager
def _at_rest(path: Path) -> Iterator[None]:
    """Have all of a database in its file, and nobody else open it, as long as the body runs."""
    end = time.monotonic() + _REST_S
    while not (_write_journal_out(path) and (lock := _lock(path)) is not None):
        if time.monotonic() > end:
            raise LogbookError(say("logbook.logbook_is_being_used_by_another", path=path))
        time.sleep(0.05)
    try:
        yield
    finally:
        os.close(lock)


def _write_journal_out(path: Path) -> bool:
    """Write what stands in the journal into the file; False when somebody has it open."""
    try:
        with closing(sqlite3.connect(path, timeout=0.0, isolation_level=None)) as connection:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            # Reads, so that a journal of the older kind is rolled back too.
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return not busy
    except sqlite3.DatabaseError as error:
        name = getattr(error, "sqlite_errorname", "")
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            return False
        if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            return True  # damaged: it is kept as it is, with its journals
        raise


def _lock(path: Path) -> int | None:
    """Lock a file as a database does that lets nobody else in; None when somebody is in."""
    number = os.open(path, os.O_RDWR)
    if fcntl is not None:
        try:
            fcntl.lockf(number, fcntl.LOCK_EX | fcntl.LOCK_NB, *_LOCK_BYTES)
        except OSError:
            os.close(number)
            return None
    return number


def asked_of(path: Path, question: str) -> list[tuple[object, ...]]:
    """What a file answers, also one that can't be written to; sqlite3.Error when it can't."""
    with closing(connect(path)) as connection:
        connection.execute("PRAGMA query_only = ON")
        return connection.execute(question).fetchall()


def _told(path: Path, question: str) -> list[tuple[object, ...]]:
    """What a file answers; nothing when it is no database, has no such table, or is damaged."""
    try:
        return asked_of(path, question)
    except (sqlite3.Error, UnicodeDecodeError, LogbookError):
        return []


def identity_of(path: Path) -> str | None:
    """Read the identity out of a file; None when it is no logbook, or too damaged to say."""
    rows = _told(path, "SELECT id FROM identity")
    return str(rows[0][0]) if rows else None


def is_whole(path: Path) -> bool:
    """Look whether a file is an undamaged logbook; nothing is changed."""
    tables = _told(path, "SELECT name FROM sqlite_master WHERE name = 'entries'")
    return bool(tables) and _told(path, "PRAGMA quick_check(1)") == [("ok",)]


def backups_of(path: Path) -> tuple[Path, ...]:
    """List the backups of a logbook in the folder beside it, newest first.

    Damaged ones stand among them: they may be its own. A logbook that can't say which one it is
    has those that no other file beside it claims, and none when they are of more than one.
    """
    files = _files_in(path.parent / BACKUP_FOLDER)
    identities = {file: identity_of(file) for file in files if file.name.endswith(".sqlite3")}
    own = identity_of(path)
    if own is None:
        others = [f for f in _files_in(path.parent) if f != path]
        claimed = {identity_of(f) for f in others if not _LEFT_BY_RESTORE.search(f.name)}
        free = set(identities.values()) - claimed - {None}
        own = free.pop() if len(free) == 1 else None
    found = [file for file, identity in identities.items() if identity in (own, None)]
    found.sort(key=lambda file: (file.stat().st_mtime_ns, file.name), reverse=True)
    return tuple(found)


def _files_in(folder: Path) -> list[Path]:
    return [file for file in folder.iterdir() if file.is_file()] if folder.is_dir() else []


def newest_backup(path: Path) -> Path | None:
    """Find the newest whole backup of a logbook; None when there is none that is surely its own."""
    found = backups_of(path)
    return next((f for f in found if identity_of(f) is not None and is_whole(f)), None)
