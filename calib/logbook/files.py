"""A logbook as a file: where it lies, how it is opened, copied and replaced; knows no table.

A file is replaced by a rename, so that a kill leaves the old one or the new one, whole. Every
connection knows which file it was made to: what is written into a file that was replaced since is
never acknowledged.
"""

from __future__ import annotations

import itertools
import os
import shutil
import sqlite3
import stat
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from calib.errors import LogbookError, shown
from calib.texts.say import say

try:
    import fcntl
except ImportError:  # pragma: no cover  on Windows, where an open file can't be replaced anyway
    fcntl = None  # type: ignore[assignment]

# How long a writer waits for another one [ms]: longer than any single change takes.
BUSY_MS = 30_000
# How long a restore waits until nobody has the old file open [s].
REST_S = 5.0
# The bytes that every user of a database file locks (SQLite, "Database File Format", 1.3: the
# lock-byte page begins at 2^30; the locks themselves are 512 bytes, as in os.h of its source).
_LOCK_BYTES = (512, 1 << 30)
_BESIDE = ("-wal", "-shm", "-journal")

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
    """Say whether a file is there that can't be written to, or beside which no journal can be."""
    return path.exists() and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def connect(path: Path, *, create: bool = False) -> FileConnection:
    """Open a database file by its path; never the one that had this name before.

    A connection that waited while the file was replaced would go on with the old file and the new
    one's journal, so it doesn't wait: it is made anew.
    """
    end = time.monotonic() + BUSY_MS / 1000.0
    while True:
        read_only, before = is_read_only(path), mark_of(path)
        how = "mode=rwc" if create else "mode=rw"
        if read_only:
            how = "mode=ro"
            if not _has_journal(path):
                how += "&immutable=1"  # nothing can be put beside it, and nothing is missing
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?{how}",
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


def _has_journal(path: Path) -> bool:
    return any(_beside(path, end).exists() and _beside(path, end).stat().st_size for end in
               ("-wal", "-journal"))  # fmt: skip


def _beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def to_disk(path: Path) -> None:
    """Wait until a file, or a folder's list of names, is on the disk."""
    if path.is_dir() and os.name != "posix":
        return  # elsewhere a folder can't be opened, and needn't be
    number = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def remove(path: Path) -> None:
    """Remove a database file of our own with its journals, where there are any."""
    for end in ("", *_BESIDE):
        with suppress(FileNotFoundError, NotADirectoryError):
            _beside(path, end).unlink()


@contextmanager
def part_beside(path: Path) -> Iterator[Path]:
    """Give a new, empty file in the folder of a path; what is left of it at the end is removed."""
    for number in itertools.count(1):
        part = path.with_name(f"{path.name}.part-{number}")
        try:
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        except FileExistsError:
            continue
        break
    try:
        yield part
    finally:
        remove(part)


def name_new(part: Path, target: Path) -> None:
    """Give a written file its name; FileExistsError when there is such a file already."""
    to_disk(part)
    _keep(part, target)
    to_disk(target.parent)


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
    to_disk(part)
    if not path.exists():
        for end in _BESIDE:  # they would be read as if they were the new file's
            if _beside(path, end).exists():
                _keep(_beside(path, end), _free_name(path, end))
        part.replace(path)
        to_disk(path.parent)
        return
    with _at_rest(path):
        kept = _kept_already(path)
        if path.stat().st_nlink > (1 if kept is None else 2):
            raise LogbookError(say("logbook.logbook_has_another_name_too_hard", path=path))
        shutil.copymode(path, part)
        if hasattr(os, "chown"):  # those who could use the old file can use the new one
            with suppress(OSError):  # only some may give files away
                os.chown(part, path.stat().st_uid, path.stat().st_gid)
        kept = kept or _keep(path, _free_name(path))
        # A sound file at rest has none; those of a damaged one belong to it.
        for end in _BESIDE:
            if _beside(path, end).exists():
                _keep(_beside(path, end), _beside(kept, end))
                _beside(path, end).unlink()
        to_disk(path.parent)
        part.replace(path)
        to_disk(path.parent)


def _free_name(path: Path, end: str = "") -> Path:
    numbers = itertools.count(1)
    names = (path.with_name(f"{path.name}.replaced-{number}") for number in numbers)
    return _beside(next(name for name in names if not any(
        os.path.lexists(_beside(name, e)) for e in ("", *_BESIDE))), end)  # fmt: skip


def _kept_already(path: Path) -> Path | None:
    """The name that a restore gave to this very file before it was killed."""
    beginning = f"{path.name}.replaced-"
    names = (file for file in sorted(path.parent.iterdir()) if file.name.startswith(beginning))
    return next((name for name in names if mark_of(name) == mark_of(path)), None)


def _keep(old: Path, kept: Path) -> Path:
    """Give a file a second name, or copy it where a disk has no links."""
    try:
        os.link(old, kept)
    except FileExistsError:
        raise
    except OSError:
        with old.open("rb") as source, kept.open("xb") as copy:
            shutil.copyfileobj(source, copy)
        to_disk(kept)
    return kept


@contextmanager
def _at_rest(path: Path) -> Iterator[None]:
    """Have all of a database in its file, and nobody else open it, as long as the body runs."""
    end = time.monotonic() + REST_S
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


@contextmanager
def look_into(path: Path) -> Iterator[FileConnection]:
    """Open a database file to read it; it may be on a medium that can't be written to."""
    with closing(connect(path)) as connection:
        connection.execute("PRAGMA query_only = ON")
        yield connection
