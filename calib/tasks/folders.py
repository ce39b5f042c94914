"""Files that were named are read, and made ones written, without spoiling anything."""

from __future__ import annotations

import contextlib
import io
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Literal

from calib.errors import BadFile, CalibError, InvalidRecord, shown
from calib.texts.say import say

Files = Mapping[str, bytes]
PictureFormat = Literal["png", "svg"]

RESULTS_SUFFIX = "-results.csv"

# No results, drawing or photograph that calib takes is larger, nor any logbook than the second; the
# file that was named may be a device without an end [bytes].
MOST_BYTES = 2**25
MOST_OF_A_LOGBOOK = 2**30


def given_file(file: Path, most_bytes: int = MOST_BYTES) -> bytes:
    """Read a file that was named, one byte beyond the most at most; BadFile if it can't be."""
    try:
        with file.open("rb") as source:
            return source.read(most_bytes + 1)
    except OSError as error:
        raise BadFile(say("tasks.cant_be_read", file=shown(str(file)), error=error)) from None


def check_folder(folder: Path | None) -> None:
    """Check that a folder can be written or made, before anything is done for it; raises CalibError
    when a file stands there, or in the way."""
    with contextlib.suppress(OSError):
        for place in (folder, *folder.parents) if folder else ():
            if place.is_dir():
                break
            if place.exists():
                raise CalibError(say("tasks.is_file_give_another_folder", place=shown(str(place))))


def slug(name: str) -> str:
    """A user's name as a part of a file's name."""
    return re.sub(r"\W+", "-", name.strip().casefold())[:60].strip("-") or "unnamed"


def picture_format(name: str) -> PictureFormat:
    """Tell a picture's format by the end of its name; raises InvalidRecord for another one."""
    if name.lower().endswith(".png"):
        return "png"
    if name.lower().endswith(".svg"):
        return "svg"
    raise InvalidRecord(say("tasks.picture_is_give_name_that_ends", name=shown(name)))


def pictures_named(names: Sequence[str], draw: Callable[[PictureFormat], bytes]) -> Files:
    """Draw a picture into files that were named, each in the format that its name says."""
    kinds = {name: picture_format(name) for name in names}
    return {name: draw(kind) for name, kind in kinds.items()}


def zipped(files: Files) -> bytes:
    """Put files into one archive, the same for the same files."""
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return into.getvalue()


def write_folder(files: Files, folder: Path | None) -> tuple[Path, ...]:
    """Write files into a folder, which is made when it isn't there; nothing without one.

    A result file in which something was filled in is left as it is. Raises CalibError when the
    folder can't be written.
    """
    if folder is None:
        return ()
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            path = folder / name
            if name.endswith(RESULTS_SUFFIX) and path.exists() and path.read_bytes() != content:
                continue
            path.write_bytes(content)
            written.append(path)
    except OSError as error:
        raise CalibError(
            say("tasks.cant_be_written", filename=shown(str(error.filename or folder)), error=error)
        ) from None
    return tuple(written)
