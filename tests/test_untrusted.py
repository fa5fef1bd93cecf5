"""Opening what anyone may have made: no waiting, no endless reading, bounded numbers, one sentence each."""

import errno
import os
import socket
import sys
import tracemalloc
import zipfile
from io import BytesIO
from pathlib import Path

import pytest

from tests.sentences import sentence_of
from workbench.errors import AudioError, FileFormatError
from workbench.files import untrusted
from workbench.files.annotations import read_labels
from workbench.files.audio import load_audio, sha256_of
from workbench.files.chartfile import read_chart
from workbench.files.document import ChartDocument, read_working_chart
from workbench.files.untrusted import BadNumberError, decimal, parse_xml, read_bytes, read_score_bytes, whole_number
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml_read import read_musicxml

READERS = [read_chart, read_midi, read_musicxml, read_labels, load_audio, sha256_of]
posix = pytest.mark.skipif(os.name != "posix", reason="special files of Unix")


def special(kind: str, folder: Path) -> Path:
    path = folder / "song.x"
    match kind:
        case "missing":
            pass
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "device":
            path = Path("/dev/zero")
        case "link to a device":
            path.symlink_to("/dev/zero")
        case "socket":
            with socket.socket(socket.AF_UNIX) as listening:
                listening.bind(os.fspath(path))
        case "link to itself":
            path.symlink_to(path)
        case "long name":
            path = folder / ("n" * 300 + ".mid")
        case "long path":
            path = folder.joinpath(*["n" * 200] * 30)
        case "in a file":
            path.write_text("x")
            path = path / "song.mid"
        case "NUL":
            path = folder / "a\0b"
        case "half a character":
            path = folder / "a\ud800b"
        case "escape":
            path = folder / "\x1b[31m\n\u202e"
    return path


@pytest.mark.slow
@posix
@pytest.mark.parametrize("read", READERS, ids=lambda read: read.__name__)
@pytest.mark.parametrize(
    "kind, said",
    [
        ("missing", "There is no file"),
        ("folder", "is a folder"),
        ("pipe", "no ordinary file"),
        ("device", "no ordinary file"),
        ("link to a device", "no ordinary file"),
        ("socket", "no ordinary file"),
        ("link to itself", "a link that leads back to itself"),
        ("long name", "too long"),
        ("long path", "too long"),
        ("in a file", "There is no file"),
        ("NUL", "no name that a file can have"),
        ("half a character", "no name that a file can have"),
        ("escape", "There is no file"),
    ],
)
def test_what_is_no_ordinary_file_gets_a_sentence(read, kind, said, tmp_path):
    assert said in sentence_of(read, special(kind, tmp_path))


@pytest.mark.parametrize("read", READERS, ids=lambda read: read.__name__)
@pytest.mark.parametrize("fault, said", [(errno.EACCES, "may not be read"), (errno.EIO, "could not be read")])
def test_a_file_or_folder_that_may_not_be_opened(read, fault, said, tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(fault, os.strerror(fault))

    monkeypatch.setattr(untrusted.os, "open", refuse)  # root may open everything
    assert said in sentence_of(read, tmp_path / "song.x")


def test_the_refusal_is_of_the_kind_that_was_asked_for(tmp_path):
    with pytest.raises(AudioError):
        untrusted.open_file(tmp_path / "gone", AudioError)


@pytest.mark.skipif(sys.platform != "linux", reason="names in bytes")
def test_names_that_are_no_text_can_be_read(tmp_path):
    path = os.fsencode(tmp_path) + b"/caf\xe9.txt"
    with open(path, "wb") as file:
        file.write(b"0.5 KD\n")
    assert read_labels(Path(os.fsdecode(path))) == [(0.5, "KD")]
    assert "caf" in sentence_of(load_audio, Path(os.fsdecode(path)))


def test_reading_stops_at_the_bound(tmp_path):
    path = tmp_path / "large"
    path.write_bytes(b"12345")
    assert read_bytes(path, 5) == b"12345"
    with pytest.raises(FileFormatError, match="larger than"):
        read_bytes(path, 4)


# -- numbers (the lexical forms of xs:decimal: XML Schema Definition Language 1.1, part 2, 3.3.3, W3C 2012) ------------


@pytest.mark.parametrize("text, value", [("2", 2), (" 2.0 ", 2), ("-0.25", -0.25), (".5", 0.5), ("+3.", 3)])
def test_decimal_numbers(text, value):
    assert decimal(text) == value
    assert whole_number(text) == int(value)


@pytest.mark.parametrize(
    "text",
    ["1e9999999", "1e-99999999", "9" * 400, "inf", "nan", "-INF", "1/3", "1_000", "²", "٣", "", ".", "0x10", "1" * 10]
    + ["0." + "0" * 5000 + "1"],
)
def test_numbers_without_bounds_are_none(text):
    for read in (decimal, whole_number):
        with pytest.raises(BadNumberError):
            read(text)


# -- archives and XML ------------------------------------------------------------------------------------------


def archive() -> bytes:
    data = BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr(
            "META-INF/container.xml", '<container><rootfiles><rootfile full-path="s.xml"/></rootfiles></container>'
        )
        file.writestr("s.xml", "<score-partwise/>" + " " * 300)
    return data.getvalue()


def test_archives_with_any_byte_altered_are_read_or_refused(tmp_path):
    whole, path = archive(), tmp_path / "s.mxl"
    for k in range(len(whole)):
        for value in (0, 0xFF):
            path.write_bytes(whole[:k] + bytes([value]) + whole[k + 1 :])
            try:
                read_score_bytes(path)
            except FileFormatError as error:
                assert "negative" not in str(error)


def test_a_directory_that_points_before_the_archive_is_refused(tmp_path):
    whole, path = bytearray(archive()), tmp_path / "s.mxl"
    end = whole.rfind(b"PK\x05\x06")  # end of central directory (PKWARE APPNOTE 4.3.16): offset of the directory at 16
    whole[end + 16 : end + 20] = (0xFFFFFF0).to_bytes(4, "little")
    path.write_bytes(whole)
    assert "damaged" in sentence_of(read_score_bytes, path)


@pytest.mark.parametrize("encoding", ["no-such", "utf-7", "idna", "rot13", "utf-16", "x" * 4000, "UTF-8\x1b"])
def test_encodings_that_are_unknown_or_wrong_are_refused(encoding):
    data = f'<?xml version="1.0" encoding="{encoding}"?><score-partwise/>'.encode("latin-1")
    assert "XML" in sentence_of(parse_xml, data, "song.xml")


def test_more_elements_than_any_score_has_are_refused(monkeypatch):
    monkeypatch.setattr(untrusted, "_MOST_ELEMENTS", 3)
    parse_xml(b"<a><b/><b/></a>", "song.xml")
    assert "elements" in sentence_of(parse_xml, b"<a><b/><b/><b/></a>", "song.xml")


@posix
def test_a_chart_behind_a_link_to_itself_is_refused_by_documents_too(tmp_path):
    path = special("link to itself", tmp_path)
    for read in (read_working_chart, ChartDocument.open):
        assert "a link that leads back to itself" in sentence_of(read, path)


def test_a_small_file_takes_little_room_however_large_it_may_be(tmp_path):
    path = tmp_path / "small"
    path.write_bytes(b"x" * 3_000_000)
    tracemalloc.start()
    try:
        assert read_bytes(path, 2**30) == b"x" * 3_000_000
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()
