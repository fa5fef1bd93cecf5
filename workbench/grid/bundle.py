"""Bundles the page's modules: ``python workbench/grid/bundle.py``.

A notebook page loads one module, so the sources in ``js/`` are bundled into
``static/`` by esbuild (MIT; from npm) and the result is kept with the sources:
users need no tools.  The first line of each bundle carries the checksum of its
sources; a test compares them.  ``js/counting.js`` and ``js/surfaces.js`` are written from the
tables of :mod:`workbench.chart.counting` and :mod:`workbench.chart.drumkit`, so that page and
Python count alike and know the same of drums.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
from pathlib import Path

from workbench.chart import counting, drumkit

HERE = Path(__file__).parent
ESBUILD = "esbuild@0.28.2"
TARGETS = {"grid.js": "js", "score.js": "js", "grid.css": "css", "score.css": "css"}


def source_sha256() -> str:
    """Checksum of all sources of the page."""
    digest = hashlib.sha256()
    for path in sorted((HERE / "js").iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def counting_source() -> str:
    """The tables of counting as a module of the page."""
    tables: dict[str, object] = {
        "SYLLABLES": {str(part): said for part, said in counting.SYLLABLES.items()},
        "OTHER_SYLLABLE": counting.OTHER_SYLLABLE,
        "PLACE_WORDS": {str(part): words for part, words in counting.PLACE_WORDS.items()},
    }
    return _module("workbench.chart.counting", tables)


def surfaces_source() -> str:
    """Which sounds are of one drum, as a module of the page."""
    return _module("workbench.chart.drumkit", {"ONE_SURFACE": drumkit.ONE_SURFACE})


def _module(origin: str, tables: dict[str, object]) -> str:
    lines = [f"export const {name} = {json.dumps(table, indent=2)};" for name, table in tables.items()]
    return "\n".join([f"// Made by python workbench/grid/bundle.py from {origin}.", *lines, ""])


def bundle() -> None:
    """Write the bundles anew."""
    (HERE / "js" / "counting.js").write_text(counting_source(), "utf8")
    (HERE / "js" / "surfaces.js").write_text(surfaces_source(), "utf8")
    banner = f"/* Made by python workbench/grid/bundle.py; sources {source_sha256()} */"
    for name, kind in TARGETS.items():
        subprocess.run(
            [
                "npx",
                "--yes",
                ESBUILD,
                f"js/{name}",
                "--bundle",
                "--format=esm",
                "--charset=utf8",
                f"--banner:{kind}={banner}",
                f"--outfile=static/{name}",
                "--log-level=warning",
            ],
            cwd=HERE,
            check=True,
        )


if __name__ == "__main__":
    bundle()
