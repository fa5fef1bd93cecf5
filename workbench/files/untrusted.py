"""Opening files that anyone may have made.

:func:`open_file` is the one way to open what is read: ordinary files only, so that
nothing waits for a pipe or reads a device for ever.  Sizes and numbers have bounds,
nothing is unpacked to disk or fetched, and what is refused is refused with a sentence.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import zipfile
from collections.abc import Callable
from fractions import Fraction
from io import BufferedReader, BytesIO
from pathlib import Path, PurePosixPath
from xml.parsers import expat

from lxml import etree

from workbench.errors import FileFormatError, WorkbenchError
from workbench.escaping import one_line

#: Largest score, in bytes of XML (a two-hour drum part is about 25 MB), and most elements in it.
LARGEST_SCORE = 64_000_000
_MOST_ELEMENTS = 3_000_000
#: Most notes of a drum part, and of one bar of it.
MOST_NOTES = 500_000
MOST_NOTES_IN_BAR = 5_000
#: The finest part of a whole note at which something is written: in the longest bar, 32/1, a chart file still holds it.
FINEST = 31_249
#: Most files in a compressed score.
_MOST_MEMBERS = 200
_CONTAINER = "META-INF/container.xml"


# -- files ------------------------------------------------------------------------------


def open_file(path: str | os.PathLike, refusal: type[WorkbenchError] = FileFormatError) -> BufferedReader:
    """Open an ordinary file for reading.

    Parameters
    ----------
    path : path
    refusal : WorkbenchError subclass
        What to raise.

    Raises
    ------
    refusal
        If there is no such file, it may not be read, or it is a folder, a pipe or a device.
    """
    # The opening of a pipe would wait for one who writes.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        file = open(path, "rb", opener=lambda name, _: os.open(name, flags))
    except (OSError, ValueError) as error:
        raise refusal(_fault(path, error)) from None
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise refusal(f"{shown(path)} is a pipe or a device, no ordinary file; name a file.")
    return file


#: What the system's faults mean for a user.
_FAULTS = {
    errno.EISDIR: "{} is a folder; name a file in it.",
    errno.ENOENT: "There is no file {}; check the name and the folder.",
    errno.ENOTDIR: "There is no file {}; check the name and the folder.",
    errno.EACCES: "{} may not be read; ask for the right to read it and to open its folder.",
    errno.EPERM: "{} may not be read; ask for the right to read it and to open its folder.",
    errno.ELOOP: "{} is a link that leads back to itself; name the file itself.",
    errno.ENAMETOOLONG: "{} is too long for the name of a file; check the name.",
    errno.ENXIO: "{} is a socket or a device, no ordinary file; name a file.",
}


def _fault(path: str | os.PathLike, error: OSError | ValueError) -> str:
    if isinstance(error, ValueError):  # NUL, or half a character
        return f"{shown(path)} is no name that a file can have; check the name."
    told = _FAULTS.get(error.errno or 0, f"{{}} could not be read ({error.strerror}); copy it to another place.")
    return told.format(shown(path))


def shown(path: str | os.PathLike) -> str:
    """A path as sentences name it: one line, at most 120 characters."""
    return one_line(os.fspath(path), 120)


_PIECE_BYTES = 2**20


def read_bytes(path: str | os.PathLike, most: int) -> bytes:
    """The bytes of a file of at most ``most`` bytes.

    Raises
    ------
    FileFormatError
        If it is larger, or cannot be opened (see :func:`open_file`).
    """
    pieces: list[bytes] = []
    left = most + 1
    try:
        with open_file(path) as file:
            # Asked for all at once, room for the most that it may have would be taken first.
            while left > 0 and (piece := file.read(min(left, _PIECE_BYTES))):
                pieces.append(piece)
                left -= len(piece)
    except OSError as error:
        raise FileFormatError(_fault(path, error)) from None
    if left <= 0:
        raise FileFormatError(
            f"{shown(Path(path).name)} is larger than {most // 1_000_000} MB; no drum part needs that."
        )
    return b"".join(pieces)


def read_text(path: str | os.PathLike, most: int) -> str:
    """The text of a file in UTF-8 of at most ``most`` bytes (see :func:`read_bytes`)."""
    try:
        return read_bytes(path, most).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileFormatError(f"{shown(Path(path).name)} is not text in UTF-8; export or save it again.") from None


# -- numbers ----------------------------------------------------------------------------


class BadNumberError(FileFormatError):
    """A number that is none, or larger or finer than any in a drum part."""


_DECIMAL = re.compile(r"[+-]?([0-9]{1,9}(\.[0-9]{0,99})?|\.[0-9]{1,99})", re.ASCII)


def decimal(text: str) -> Fraction:
    """A decimal number below a thousand million, exactly; no powers of ten (XML Schema 1.1, part 2, 3.3.3).

    Raises
    ------
    BadNumberError
    """
    text = text.strip()
    if not _DECIMAL.fullmatch(text):
        raise BadNumberError(f"{one_line(text, 40)!r} is no number that a drum part can hold.")
    return Fraction(text)


def whole_number(text: str) -> int:
    """A whole number as people write them ("2", "2.0"), below a thousand million.

    Raises
    ------
    BadNumberError
    """
    return int(decimal(text))


# -- scores -----------------------------------------------------------------------------


def read_score_bytes(path: Path) -> bytes:
    """The XML of a MusicXML file, plain or compressed (``.mxl``).

    Raises
    ------
    FileFormatError
        If the file is missing, too large, damaged, or tries to trick the reader.
    """
    data = read_bytes(path, LARGEST_SCORE)
    if not data.strip():
        raise FileFormatError(f"{shown(path.name)} is empty.")
    return _unpack(data, shown(path.name)) if data[:4] == b"PK\x03\x04" else data


def _unpack(data: bytes, name: str) -> bytes:
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            members = archive.infolist()
            if len(members) > _MOST_MEMBERS:
                raise FileFormatError(f"{name} holds {len(members)} files; a compressed score holds a few.")
            for member in members:
                _check_name(member.filename, name)
            inside = {m.filename for m in members}
            if _CONTAINER not in inside:
                raise FileFormatError(f"{name} is no compressed MusicXML: it has no {_CONTAINER}.")
            # Some programs write names in UTF-8 without saying so.
            meant = {n: n for n in inside} | {_in_utf8(n): n for n in inside}
            score = meant[_score_name(_member(archive, _CONTAINER, name), set(meant), name)]
            return _member(archive, score, name)
    except FileFormatError:
        raise
    except Exception:  # zipfile raises many kinds on damaged data
        raise FileFormatError(f"{name} is a damaged or encrypted archive; export the score again.") from None


def _in_utf8(name: str) -> str:
    try:
        return name.encode("cp437").decode("utf-8")
    except UnicodeError:
        return name


def _check_name(member: str, name: str) -> None:
    path = PurePosixPath(member.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or ":" in member or "\0" in member:
        raise FileFormatError(f"{name} holds a file that points outside itself ({member!r:.60}); it was not opened.")


def _member(archive: zipfile.ZipFile, member: str, name: str) -> bytes:
    # The size in the archive's directory can lie, so the reading itself stops.
    with archive.open(member) as file:
        data = file.read(LARGEST_SCORE + 1)
    if len(data) > LARGEST_SCORE:
        raise FileFormatError(
            f"{name} swells to more than {LARGEST_SCORE // 1_000_000} MB when unpacked; it was not opened."
        )
    return data


def _score_name(container: bytes, inside: set[str], name: str) -> str:
    root = parse_xml(container, name)
    for rootfile in root.iter("{*}rootfile"):
        path = rootfile.get("full-path", "")
        kind = rootfile.get("media-type", "")
        if path in inside and (not kind or "musicxml" in kind):
            return path
    raise FileFormatError(f"{name} is no compressed MusicXML: its container names no score inside it.")


def parse_xml(data: bytes, name: str) -> etree._Element:
    """Parse XML from a stranger: no entities, no network, no deep nesting.

    Raises
    ------
    FileFormatError
        If it declares entities or is not well formed.
    """
    guard = expat.ParserCreate()
    guard.EntityDeclHandler = _refuse_entity
    guard.StartElementHandler = _counter(name)
    guard.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
    try:
        guard.Parse(data, True)
        parser = etree.XMLParser(
            resolve_entities=False,
            no_network=True,
            load_dtd=False,
            dtd_validation=False,
            huge_tree=False,
            remove_comments=True,
            remove_pis=True,
        )
        return etree.fromstring(data, parser)
    except _EntityDeclared:
        raise FileFormatError(f"{name} declares XML entities, which no score needs; it was not opened.") from None
    except expat.ExpatError as error:
        raise FileFormatError(f"{name} is not well-formed XML (line {error.lineno}); export it again.") from None
    except (etree.XMLSyntaxError, ValueError, LookupError):  # LookupError: an encoding that nobody knows
        raise FileFormatError(f"{name} is not readable XML; export it again.") from None


class _EntityDeclared(Exception):
    pass


def _counter(name: str) -> Callable[..., None]:
    left = iter(range(_MOST_ELEMENTS))

    def count(*_: object) -> None:
        if next(left, None) is None:
            raise FileFormatError(f"{name} holds more than {_MOST_ELEMENTS} elements; no drum part needs that.")

    return count


def _refuse_entity(*_: object) -> None:
    raise _EntityDeclared
