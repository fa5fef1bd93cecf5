"""Writing a file whole or not at all.

A crash or a full disk in the middle of writing must leave the old file as it
was, so files are written beside their place and then put there in one step.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from workbench.errors import FileFormatError


@contextmanager
def replacing(path: str | os.PathLike) -> Iterator[Path]:
    """A temporary file in the same folder that takes the place of ``path`` at the end.

    If the block raises, the temporary file is removed and ``path`` stays as it
    was.

    Raises
    ------
    OSError
        If the folder is missing or cannot be written to; callers turn it into
        a sentence of their own.

    Examples
    --------
    >>> with replacing("/tmp/example.txt") as temporary:
    ...     _ = temporary.write_text("all of it")
    """
    path = Path(path).resolve()  # a link stays a link
    if path.is_dir():
        raise IsADirectoryError(21, "a folder of this name is there", str(path))
    # An ordinary new file's rights, not the private ones of a temporary file.
    mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:100]}.", dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        os.chmod(temporary, mode)
        os.replace(temporary, path)
        sync_folder(path.parent)
    finally:
        temporary.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on disk too, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_whole(path: str | os.PathLike, data: bytes) -> Path:
    """Write bytes to a file, replacing an older one only when all is written.

    Raises
    ------
    FileFormatError
        If the folder is missing or cannot be written to; an older file stays.
    """
    path = Path(path)
    try:
        with replacing(path) as temporary:
            temporary.write_bytes(data)
    except OSError as error:
        raise FileFormatError(
            f"{path} could not be written: {error.strerror or error}; choose another folder."
        ) from None
    return path


def check_folder(path: str | os.PathLike) -> None:
    """Make sure before long work that a folder can be made later; nothing is made now.

    Raises
    ------
    FileFormatError
        If a file lies in its place, its name is impossible, or the folder above it may not be written to.
    """
    try:
        nearest = next(p for p in (Path(path), *Path(path).absolute().parents) if p.exists())
    except OSError as error:
        raise FileFormatError(f"There can be no folder {path} ({error.strerror}); choose another.") from None
    if not nearest.is_dir():
        raise FileFormatError(f"{nearest} is a file, not a folder; choose another folder.")
    if not os.access(nearest, os.W_OK):
        raise FileFormatError(f"Nothing may be written into {nearest}; choose another folder.")


def make_folder(path: str | os.PathLike) -> Path:
    """Make a folder, and those above it, unless it is there.

    Raises
    ------
    FileFormatError
        If it cannot be made.
    """
    path = Path(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileFormatError(f"The folder {path} could not be made: {error.strerror or error}.") from None
    return path
