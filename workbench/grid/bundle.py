"""Bundles the page's modules: ``python workbench/grid/bundle.py``.

A notebook page loads one module, so the sources in ``js/`` are bundled into
``static/`` by esbuild (MIT; from npm) and the result is kept with the sources:
users need no tools.  The first line of each bundle carries the checksum of its
sources; a test compares them.
"""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path

HERE = Path(__file__).parent
ESBUILD = "esbuild@0.28.2"
TARGETS = {"grid.js": "js", "score.js": "js", "grid.css": "css", "score.css": "css"}


def source_sha256() -> str:
    """Checksum of all sources of the page."""
    digest = hashlib.sha256()
    for path in sorted((HERE / "js").iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def bundle() -> None:
    """Write the bundles anew."""
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
