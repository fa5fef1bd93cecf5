"""Opening score files that anyone may have made.

Nothing of a file is unpacked to disk or fetched; entities, folders outside the
archive and data that swell when unpacked are refused with a sentence.
"""

from __future__ import annotations

import zipfile
import zlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path, PurePosixPath
from xml.parsers import expat

from lxml import etree

from workbench.chart import Chart
from workbench.errors import FileFormatError

#: Largest score, in bytes of XML (a two-hour drum part is about 25 MB).
LARGEST_SCORE = 64_000_000
#: Most files in a compressed score.
_MOST_MEMBERS = 200
_CONTAINER = "META-INF/container.xml"


@dataclass(frozen=True)
class Imported:
    """A chart read from a file by others, and what could not be understood.

    Attributes
    ----------
    chart : Chart
    problems : tuple of str
        One sentence for each thing left out or guessed; empty if all was understood.
    """

    chart: Chart
    problems: tuple[str, ...] = ()


def read_score_bytes(path: Path) -> bytes:
    """The XML of a MusicXML file, plain or compressed (``.mxl``).

    Raises
    ------
    FileFormatError
        If the file is missing, too large, damaged, or tries to trick the reader.
    """
    try:
        if path.is_dir():
            raise FileFormatError(f"{path} is a folder; give a MusicXML file.")
        if path.stat().st_size > LARGEST_SCORE:
            most = LARGEST_SCORE // 1_000_000
            raise FileFormatError(f"{path.name} is larger than {most} MB; no drum part is.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise FileFormatError(f"There is no file {path}.") from None
    except OSError as error:
        raise FileFormatError(f"{path} could not be read: {error.strerror}.") from None
    if not data.strip():
        raise FileFormatError(f"{path.name} is empty.")
    return _unpack(data, path.name) if data[:4] == b"PK\x03\x04" else data


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
            score = _score_name(_member(archive, _CONTAINER, name), inside, name)
            return _member(archive, score, name)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError):
        raise FileFormatError(f"{name} is a damaged or encrypted archive; export the score again.") from None


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
    except (etree.XMLSyntaxError, ValueError):
        raise FileFormatError(f"{name} is not readable XML; export it again.") from None


class _EntityDeclared(Exception):
    pass


def _refuse_entity(*_):
    raise _EntityDeclared
