"""Open a notebook on your own file in JupyterLab, in the file's folder.

A recording is drafted and corrected there, a chart (or a MusicXML or MIDI part)
corrected; with both of them the chart is checked against the recording.  The
notebook is a copy beside your file, and one that you have already is opened as
it is.  A folder is opened as a shelf of songs.  Without a file all notebooks are copied here, set to the demo song.

example:
  workbench lab song.flac
  workbench lab song.chart.json --notebook read
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from urllib.parse import quote

NAME = "lab"
HELP = "open the notebooks on your own file"

#: Notebooks by the name a user gives.
NOTEBOOKS = {
    "chart": "chart_a_recording",
    "check": "check_a_draft",
    "read": "read_a_part",
    "practice": "make_a_practice_pack",
    "lesson": "plan_a_lesson",
    "shelf": "ask_a_shelf",
}
#: Nothing leaves the machine: no news, no updates, no catalogue of extensions.
QUIET = (
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
)
#: What a kernel says is sent at once.
PROMPT = "--ServerApp.kernel_websocket_connection_class=workbench.commands.connection.PromptConnection"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench lab`` takes."""
    parser.add_argument(
        "files", type=Path, nargs="*", metavar="FILE", help="a recording, a chart, or both; or a folder"
    )
    parser.add_argument("--notebook", choices=tuple(NOTEBOOKS), help="which notebook (default: by the files)")
    parser.add_argument("--no-browser", action="store_true", help="print the address instead of opening a browser")
    parser.add_argument("--port", type=port, help="port of the server (default: 8888, or the next that is free)")


def port(text: str) -> int:
    """A port of this machine: 1 to 65535 (16 bits, RFC 9293, 3.1)."""
    if not (text.isdecimal() and 1 <= int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"a port is a number from 1 to 65535, not {text}")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench lab``; returns the exit status."""
    from jupyterlab.labapp import LabApp

    notebook = prepare_notebook(args.files, args.notebook)
    options = [f"--ServerApp.root_dir={notebook.parent}", f"--LabApp.default_url=/lab/tree/{quote(notebook.name)}"]
    options += ["--no-browser"] * args.no_browser + ([f"--port={args.port}"] if args.port else [])
    LabApp.launch_instance(argv=[*options, *QUIET, PROMPT])
    return 0


def prepare_notebook(files: list[Path], kind: str | None = None) -> Path:
    """The notebook to open, copied and set to a user's files.

    Raises
    ------
    FileFormatError
        If a file is missing or neither recording nor chart, or the notebook needs another one.
    """
    from workbench.errors import FileFormatError
    from workbench.files.audiosource import open_source
    from workbench.files.chartfile import ENDING, recording_file
    from workbench.scorefiles import holds_part, part_name, read_any_chart
    from workbench.shipped import copy_notebook

    if not files:
        here = Path.cwd()
        copies = {k: copy_notebook(name, here / f"{name}.ipynb", {}) for k, name in NOTEBOOKS.items()}
        return copies[kind or "chart"]
    shelf = files[0] if len(files) == 1 and files[0].is_dir() else None
    missing = next((f for f in files if not f.is_file() and f != shelf), None)
    if missing is not None:
        raise FileFormatError(f"There is no file {missing}.")
    for file in (f for f in files if f.is_file()):
        if holds_part(file):
            read_any_chart(file)  # it says if it is no chart
        else:
            with open_source(file):  # it says if it is no recording
                pass
    folder = shelf or files[0].resolve().parent
    if kind == "shelf" or shelf is not None and kind is None:
        return copy_notebook(NOTEBOOKS["shelf"], folder / "ask a shelf.ipynb", {"folder": "."})
    if shelf is not None:
        raise FileFormatError(f"{shelf} is a folder; name a file of it for this notebook.")
    names = {holds_part(f): os.path.relpath(f.resolve(), folder) for f in reversed(files)}
    beside = folder / f"{part_name(files[0])}{ENDING}"
    if kind not in (None, "chart") and beside.exists():
        names.setdefault(True, beside.name)  # a recording's own chart
    part, recording = names.get(True), names.get(False)
    kind = kind or ("check" if part and recording else "chart")
    if kind == "read" and part and not recording:
        # Where the band repeats is heard in the record: the chart says where that is.
        own = recording_file(read_any_chart(folder / part).chart, folder)
        recording = os.path.relpath(own, folder) if own else None
    settings = {
        "chart": {"recording": recording or part},
        "check": {"draft": part, "recording": recording, "part": part},
        "read": {"chart": part, "recording": recording},
        "practice": {"chart": part},
        "lesson": {"chart": part},
    }[kind]
    if part is None and kind != "chart":
        raise FileFormatError(f"Name the chart for this notebook: {part_name(files[0])} is a recording.")
    if recording is None and kind == "check":
        raise FileFormatError("Name the recording that the chart is to be checked against.")
    return copy_notebook(
        NOTEBOOKS[kind], folder / f"{part_name(files[0])} - {NOTEBOOKS[kind].replace('_', ' ')}.ipynb", settings
    )
