"""The journal of a chart: every step of editing, on disk before it counts as done.

A journal is a text file of JSON lines.  The first holds the chart that the
steps start from and the SHA-256 of its chart file; every further one a step:
``{"do": edit, "n": 1}``, ``{"undo": 1, "n": 2}``, ``{"redo": 1, "n": 3}`` or
``{"saved": sha256, "n": 3}``.  ``n`` counts the steps.  A number that comes
again takes the place of the earlier one: that step was interrupted after
being written and before it counted.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from workbench.chart import Chart
from workbench.chart.data import chart_to_data
from workbench.errors import FileFormatError
from workbench.files.chartfile import ENDING
from workbench.files.safefile import replacing

try:
    import fcntl
except ImportError:  # pragma: no cover - systems without POSIX locks
    fcntl = None  # type: ignore[assignment]

#: Version of the journal's format.
JOURNAL_VERSION = 1


def journal_path(path: str | os.PathLike) -> Path:
    """Where the journal of a chart file lies."""
    path = Path(path)
    name = path.name.removesuffix(ENDING) if path.name.endswith(ENDING) else path.stem
    return path.with_name(f"{name}.journal.jsonl")


class Journal:
    """The journal's file: appended to, locked while this kernel writes, cut where torn."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: Any = None
        self._good_bytes = 0  # up to the end of the last whole line
        self._seen_bytes = 0  # length when last read or written

    @property
    def exists(self) -> bool:
        """Whether the journal has been read or started, and nobody has deleted it since."""
        if self._good_bytes == 0:
            return False
        try:
            found = os.stat(self.path)
            return self._file is None or os.path.samestat(found, os.fstat(self._file.fileno()))
        except OSError:
            return False

    def read(self) -> tuple[dict | None, list[dict], bool]:
        """Base (None without one), steps that count, and whether a whole line is damaged."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return None, [], False
        except OSError as error:
            raise FileFormatError(f"{self.path} could not be read: {error.strerror or error}.") from error
        self._seen_bytes = len(data)
        lines = data.split(b"\n")
        parsed: list[dict] = []
        good = 0
        for line in lines[:-1]:  # what follows the last line break was never confirmed
            try:
                step = json.loads(line)
                if not isinstance(step, dict):
                    raise ValueError
            except (ValueError, RecursionError):
                break
            parsed.append(step)
            good += len(line) + 1
        rest = [line for line in lines[len(parsed) : -1] if line.strip(b"\0 \r")]
        self._good_bytes = good
        if not parsed or not _is_header(parsed[0]):
            self._good_bytes = 0
            return None, [], bool(data.strip(b"\0 \r\n"))
        return parsed[0], _counted(parsed[1:]), bool(rest)

    def check_unlocked(self) -> None:
        """Complain if another kernel is writing this journal."""
        if self.path.exists() and fcntl is not None:
            with open(self.path, "rb") as file:
                self._take_lock(file)

    def start(self, base: Chart, sha256: str, steps: list[dict]) -> None:
        """Begin a new journal with the steps made so far."""
        if self.path.exists():
            raise self._changed()
        self.rewrite(
            {"journal": "drum chart", "version": JOURNAL_VERSION, "sha256": sha256, "chart": chart_to_data(base)}, steps
        )

    def append(self, step: dict) -> None:
        """Write a step and flush it to disk, or leave the journal as it was."""
        line = _line(step)
        try:
            if self._file is None:
                self._open()
            try:
                if self._file.write(line) < len(line):
                    raise OSError(28, "the disk is full")
                os.fsync(self._file.fileno())
            except BaseException:  # a user's interrupt, too
                self._file.truncate(self._good_bytes)
                self._file.seek(self._good_bytes)
                raise
        except OSError as error:
            raise FileFormatError(
                f"The edit was not made: its journal {self.path} could not be written ({error.strerror or error})."
            ) from error
        self._good_bytes += len(line)
        self._seen_bytes = self._good_bytes

    def _open(self) -> None:
        # Unbuffered, so that a failed write leaves nothing to be written later.
        file = open(self.path, "r+b", buffering=0)
        try:
            self._take_lock(file)
            if os.fstat(file.fileno()).st_size != self._seen_bytes:
                raise self._changed()
            file.truncate(self._good_bytes)
            file.seek(0, os.SEEK_END)
        except BaseException:
            file.close()
            raise
        self._file = file

    def _changed(self) -> FileFormatError:
        return FileFormatError(f"{self.path.name} was written by another program meanwhile; open the chart again.")

    def _take_lock(self, file: Any) -> None:
        if fcntl is None:
            return
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise FileFormatError(
                f"The chart of {self.path.name} is being edited in another notebook or program; close it there first."
            ) from None
        except OSError:
            pass  # a file system without locks

    def rewrite(self, base: dict, steps: list[dict]) -> None:
        """Write the journal anew with these lines."""
        self.close()
        data = b"".join(_line(x) for x in (base, *steps))
        try:
            with replacing(self.path) as temporary:
                temporary.write_bytes(data)
        except OSError as error:
            raise FileFormatError(
                f"The edit was not made: its journal {self.path} could not be written ({error.strerror or error})."
            ) from error
        self._good_bytes = self._seen_bytes = len(data)

    def copy_aside(self, why: str) -> Path:
        """Keep a copy of the journal as it is under another name."""
        kept = self._free_name(why)
        kept.write_bytes(self.path.read_bytes())
        return kept

    def set_aside(self, why: str) -> Path | None:
        """Rename the journal so that it no longer counts but nothing is lost."""
        self.close()
        self._good_bytes = self._seen_bytes = 0
        if not self.path.exists():
            return None
        kept = self._free_name(why)
        os.replace(self.path, kept)
        return kept

    def _free_name(self, why: str) -> Path:
        stem = self.path.name.removesuffix(".journal.jsonl")
        k = 1
        while (kept := self.path.with_name(f"{stem}.journal.{why}-{k}.jsonl")).exists():
            k += 1
        return kept

    def remove(self) -> None:
        self.close()
        self._good_bytes = self._seen_bytes = 0
        self.path.unlink(missing_ok=True)

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None


class ReadOnlyJournal(Journal):
    """A journal that is only looked at."""

    def copy_aside(self, why: str) -> Path:
        return self.path

    def set_aside(self, why: str) -> Path | None:
        return self.path if self.path.exists() else None

    def rewrite(self, base: dict, steps: list[dict]) -> None:
        pass

    def remove(self) -> None:
        pass


def _is_header(data: dict) -> bool:
    return (
        data.get("journal") == "drum chart"
        and data.get("version") == JOURNAL_VERSION
        and isinstance(data.get("sha256"), str)
        and "chart" in data
    )


def _counted(steps: list[dict]) -> list[dict]:
    """Without the steps whose number came again."""
    kept: list[dict] = []
    for step in steps:
        number = step.get("n", 0) if isinstance(step.get("n", 0), int) else 0
        lowest = number + 1 if "saved" in step else number
        while kept and number and kept[-1].get("n", 0) >= lowest:
            kept.pop()
        kept.append(step)
    return kept


def _line(data: dict) -> bytes:
    return (json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n").encode()
