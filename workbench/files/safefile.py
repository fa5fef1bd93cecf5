"""Writing a file whole or not at all, and one program at a time.

A crash or a full disk in the middle of writing must leave the old file as it
was, so files are written beside their place and then put there in one step.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import BinaryIO

from workbench.errors import FileFormatError

try:
    import fcntl
except ImportError:  # pragma: no cover - systems without POSIX locks
    fcntl = None  # type: ignore[assignment]

#: Ending of the temporary files.
_PART = ".part"
#: How long another program may keep a file locked before we give up, seconds; one write takes milliseconds.
PATIENCE_S = 5.0
#: What no file's name may hold on some system: separators of paths, what Windows reserves (Microsoft, "Naming Files,
#: Paths, and Namespaces") and control characters.
_NOT_IN_NAMES = re.compile(r'[/\\:*?"<>|\x00-\x1f\x7f]')
#: A text takes up at most so many bytes of a file's name, which has 255 on Linux, macOS and Windows.
LONGEST_NAME = 120


def file_name(text: str, otherwise: str) -> str:
    """A text, such as a title out of anybody's file, as a file's name: it leads to no other folder and hides nothing.

    Examples
    --------
    >>> file_name("../A/B Side", "lesson"), file_name("...", "lesson")
    ('-A-B Side', 'lesson')
    """
    name = _NOT_IN_NAMES.sub("-", text).strip(". ")
    return name.encode("utf-8", "ignore")[:LONGEST_NAME].decode("utf-8", "ignore").strip(". ") or otherwise


@contextmanager
def replacing(path: str | os.PathLike, mode: int | None = None) -> Iterator[Path]:
    """A temporary file in the same folder that takes the place of ``path`` at the end.

    If the block raises, the temporary file is removed and ``path`` stays as it
    was.  What a killed run left of an earlier attempt is removed, too.

    Parameters
    ----------
    mode : int, optional
        The file's rights; by default those of the file that is replaced, or an
        ordinary new file's.

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
    path = Path(os.path.realpath(path))  # a link stays a link
    if path.is_dir():
        raise IsADirectoryError(21, "a folder of this name is there", str(path))
    if mode is None and path.exists():
        mode = path.stat().st_mode & 0o777
    sweep(path)
    # Nobody may read what will be private while it is written; the system itself takes its mask from a new file's.
    temporary, held = _new_part(path, 0o666 if mode is None else 0o600)
    try:
        yield temporary
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        if mode is not None:
            os.chmod(temporary, mode)
        if fcntl is None:  # pragma: no cover - Windows replaces no open file
            held.close()
        os.replace(temporary, path)
        sync_folder(path.parent)
    finally:
        temporary.unlink(missing_ok=True)
        held.close()


def sweep(path: Path) -> None:
    """Remove the temporary files that killed runs left of a file: those that no running program holds."""
    if fcntl is None:
        return
    try:
        names = [n for n in os.listdir(path.parent) if n.startswith(_part_prefix(path)) and n.endswith(_PART)]
    except OSError:
        return  # a folder that may not be listed
    for left in (path.with_name(n) for n in names):
        try:
            handle = os.open(left, os.O_RDWR)
        except OSError:
            continue
        try:
            if _locks(handle):
                left.unlink(missing_ok=True)
        finally:
            os.close(handle)


def _part_prefix(path: Path) -> str:
    return f".{path.name[:40]}."  # names on disk have 255 bytes, a character up to four


def _new_part(path: Path, mode: int) -> tuple[Path, BinaryIO]:
    """A new temporary file, held open and locked so that no other program sweeps it away."""
    while True:
        part = path.with_name(f"{_part_prefix(path)}{secrets.token_hex(8)}{_PART}")
        held = open(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode), "rb")
        if _locks(held.fileno()) and part.exists():
            return part, held
        held.close()  # swept away before it was locked


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Have a file to ourselves among the workbench's programs and threads until the block ends.

    A file that is not there cannot be locked, nor can one on a system or disk
    without locks: the block then runs all the same.

    Raises
    ------
    FileFormatError
        If another program keeps it for longer than ``PATIENCE_S``.
    """
    patient_until = time.monotonic() + PATIENCE_S
    while (handle := _opened(path)) is not None and not (_locks(handle) and _is_at(handle, path)):
        os.close(handle)
        if time.monotonic() > patient_until:
            raise FileFormatError(f"{path.name} is being written by another program; try again when it has ended.")
        time.sleep(0.002)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _opened(path: Path) -> int | None:
    for way in (os.O_RDWR, os.O_RDONLY):  # network disks lock only what may be written
        try:
            return os.open(path, way | getattr(os, "O_NONBLOCK", 0))
        except OSError:
            pass
    return None


def _locks(handle: int) -> bool:
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        pass  # a disk without locks
    return True


def _is_at(handle: int, path: Path) -> bool:
    """Whether an open file is still the one of this name: another program may have replaced it meanwhile."""
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except OSError:
        return True


def copy_aside(path: Path, why: str) -> Path:
    """Keep a copy of a file, on disk, under another name beside it: ``NAME.WHY-1.ENDING``.

    Raises
    ------
    FileFormatError
        If it cannot be written.
    """
    kept = _free_name(path, why)
    try:
        with replacing(kept, path.stat().st_mode & 0o777) as temporary:
            shutil.copyfile(path, temporary)
    except OSError as error:
        raise FileFormatError(f"{path.name} could not be copied to {kept}: {error.strerror or error}.") from error
    return kept


def set_aside(path: Path, why: str) -> Path:
    """Give a file such a name, so that it no longer counts and nothing is lost.

    Raises
    ------
    FileFormatError
        If it cannot be renamed.
    """
    kept = _free_name(path, why)
    try:
        os.replace(path, kept)
    except OSError as error:
        raise FileFormatError(f"{path.name} could not be renamed {kept.name}: {error.strerror or error}.") from error
    return kept


def _free_name(path: Path, why: str) -> Path:
    return next(p for k in count(1) if not (p := path.with_name(f"{path.stem}.{why}-{k}{path.suffix}")).exists())


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
