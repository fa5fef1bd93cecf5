"""Writing a file whole or not at all, and one program at a time."""

import os
import stat
import subprocess
import sys

import pytest

from workbench.errors import FileFormatError
from workbench.files import safefile
from workbench.files.safefile import (
    check_folder,
    copy_aside,
    file_name,
    locked,
    make_folder,
    replacing,
    set_aside,
    write_whole,
)


def test_a_fault_while_writing_leaves_the_old_file_and_nothing_else(tmp_path):
    file = write_whole(tmp_path / "a.txt", b"old")
    with pytest.raises(ZeroDivisionError), replacing(file) as temporary:
        temporary.write_bytes(b"new")
        raise ZeroDivisionError
    assert file.read_bytes() == b"old" and os.listdir(tmp_path) == ["a.txt"]


@pytest.mark.parametrize(
    "text", ["../up", "/etc/up", "A/B Side", "..", "", " . ", "C:\\up", "a\0b\n", "x" * 999, "ß" * 999, "\ud800"]
)
def test_any_text_is_a_name_in_its_folder_that_is_seen(tmp_path, text):
    file = write_whole(tmp_path / f"{file_name(text, 'chart')}.html", b"")
    assert file.parent.resolve() == tmp_path.resolve() and os.listdir(tmp_path) == [file.name]
    assert not file.name.startswith(".") and "\n" not in file.name


def test_rights_and_links_stay(tmp_path):
    file = write_whole(tmp_path / "a.txt", b"old")
    file.chmod(0o640)
    link = tmp_path / "link.txt"
    link.symlink_to(file)
    write_whole(link, b"new")
    assert link.is_symlink() and file.read_bytes() == b"new"
    assert stat.S_IMODE(file.stat().st_mode) == 0o640


def test_what_a_killed_run_left_is_swept_but_not_what_is_being_written(tmp_path):
    file = write_whole(tmp_path / "a.txt", b"old")
    left = tmp_path / f"{safefile._part_prefix(file)}dead.part"
    left.write_bytes(b"half")
    with replacing(file) as temporary:
        assert not left.exists()
        safefile.sweep(file)
        assert temporary.exists()
        temporary.write_bytes(b"new")
    assert file.read_bytes() == b"new"


def test_names_beside_a_file_are_new_ones(tmp_path):
    file = write_whole(tmp_path / "a.json", b"1")
    copies = [copy_aside(file, "damaged").name for _ in range(2)]
    assert copies == ["a.damaged-1.json", "a.damaged-2.json"]
    assert set_aside(file, "damaged").name == "a.damaged-3.json" and not file.exists()


def test_another_program_has_to_wait_and_gives_up_with_a_sentence(tmp_path):
    file = write_whole(tmp_path / "a.txt", b"1")
    code = (
        "import sys; from pathlib import Path; from workbench.files import safefile\n"
        "safefile.PATIENCE_S = 0.1\n"
        "try:\n    with safefile.locked(Path(sys.argv[1])): print('had it')\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    ask = lambda: subprocess.run([sys.executable, "-c", code, file], capture_output=True, text=True).stdout
    with locked(file):
        assert ask().startswith("FileFormatError a.txt is being written by another program")
    assert ask() == "had it\n"


def test_folders_are_looked_at_before_the_work(tmp_path):
    file = write_whole(tmp_path / "a.txt", b"")
    check_folder(tmp_path / "new" / "deep")
    assert not (tmp_path / "new").exists() and make_folder(tmp_path / "new" / "deep").is_dir()
    with pytest.raises(FileFormatError, match="is a file"):
        check_folder(file / "new")
    with pytest.raises(FileFormatError, match="could not be made"):
        make_folder(file / "new")
    with pytest.raises(FileFormatError, match="could not be written"):
        write_whole(tmp_path / "none" / "a.txt", b"")
