"""What comes with the workbench beside its code: the demo song and the notebooks.

In a checkout they lie where they are made; the wheel carries copies in ``workbench/shipped``.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Mapping
from pathlib import Path

from workbench.errors import FileFormatError

#: What there is of the demo song, and the file that holds it.
DEMO: dict[str, str] = {
    "recording": "copper-weather.ogg",
    "chart": "copper-weather.truth.chart.json",
    "hurried draft": "copper-weather.hurried.chart.json",
}
_PACKAGE = Path(__file__).parent
#: What the first cell of a notebook says of the demo song, to its end, and what it says of a user's own files.
_OF_THE_DEMO = re.compile(r"It runs on .*", re.DOTALL)
_OF_YOUR_OWN = "What it works on is named in the cell below. Choose *Run ▸ Run All Cells*, then read on."


def shipped_folder(name: str) -> Path:
    """The folder ``data/demo`` or ``notebooks``, in the wheel or in the checkout.

    Raises
    ------
    FileFormatError
        If neither has it.
    """
    for root in (_PACKAGE / "shipped", _PACKAGE.parent):
        if (root / name).is_dir():
            return root / name
    raise FileFormatError(f"The folder {name} did not come with this copy of the workbench; install it anew.")


def demo_song(folder: str | os.PathLike | None = None, what: str = "recording") -> Path:
    """The demo song; see :func:`workbench.demo_song`."""
    if what not in DEMO:
        raise FileFormatError(f"Of the demo song there is {', '.join(DEMO)}, not {what!r}.")
    source = shipped_folder("data/demo")
    if folder is None:
        return source / DEMO[what]
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name in {DEMO["recording"], DEMO[what]}:
        if not (folder / name).exists():
            shutil.copyfile(source / name, folder / name)
    return folder / DEMO[what]


def copy_notebook(name: str, path: Path, settings: Mapping[str, str | None]) -> Path:
    """Copy a notebook, set to a user's files; one that is there already stays as it is.

    Where there are settings, nothing else of the copy is of the demo song: what they do not name is None.

    Parameters
    ----------
    name : str
        Of the notebook, without its ending.
    path : Path
        Of the copy.
    settings : dict of str → str or None
        Variables of the cells tagged "parameters"; without any the notebook is about the demo song.
    """
    if path.exists():
        return path
    notebook = json.loads((shipped_folder("notebooks") / f"{name}.ipynb").read_text("utf8"))

    def set_line(found: re.Match[str]) -> str:
        value = settings.get(found[1], None if settings and "demo_song(" in found[2] else found[2])
        quoted = value if value is None or value == found[2] else json.dumps(value, ensure_ascii=False)
        return f"{found[1]} = {quoted}"

    for cell in (c for c in notebook["cells"] if "parameters" in c["metadata"].get("tags", ())):
        cell["source"] = re.sub(r"^(\w+) = (.*)$", set_line, "".join(cell["source"]), flags=re.MULTILINE)
    if settings:
        notebook["cells"][0]["source"] = _OF_THE_DEMO.sub(_OF_YOUR_OWN, "".join(notebook["cells"][0]["source"]))
    try:
        path.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", "utf8")
    except OSError as error:
        raise FileFormatError(f"{path} could not be written: {error.strerror or error}.") from None
    return path
