"""Report pages: one HTML page that needs nothing else, or a PDF.

Text from charts and files is only ever set as text: escaped in HTML, passed to
typst as data, never as markup or code.
"""

from __future__ import annotations

import html
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from workbench.engraving.drawing import font_folder

#: Colours that stay apart for the colour-blind (M. Okabe, K. Ito, *Color
#: Universal Design*, 2008): wrong, doubtful, fine, neutral.
VERMILION, BLUE, GREEN, GREY = "#D55E00", "#0072B2", "#009E73", "#98a1a9"

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 Georgia, "Times New Roman", serif; color: #22262b; background: #fbfaf7; margin: 0 auto;
       max-width: 60rem; padding: 1.5rem; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; } h2 { font-size: 1.2rem; margin: 2rem 0 .6rem; }
p.lead { font-size: 1.1rem; margin: .3rem 0 1rem; } .quiet { color: #5d666f; font-size: .92rem; }
section.bar { border: 1px solid #d5d9dd; background: #fff; padding: .8rem 1rem; margin: 0 0 1rem; }
section.bar h3 { margin: 0 0 .4rem; font-size: 1.05rem; }
ul { margin: .4rem 0; padding-left: 1.2rem; } li { margin: .15rem 0; }
.tag { display: inline-block; min-width: 3.6rem; text-align: center; border-radius: 2px; color: #fff;
       font-size: .8rem; padding: 0 .4rem; margin-right: .5rem; }
.wrong { background: #B34E00; } .listen { background: #0072B2; }
button { font: inherit; border: 1px solid #5d666f; border-radius: 3px; background: #fff; padding: .1rem .7rem;
         cursor: pointer; } button:focus-visible, a:focus-visible { outline: 3px solid #0072B2; }
table { border-collapse: collapse; } th, td { text-align: right; padding: .2rem .7rem;
        border-bottom: 1px solid #e6e9eb; white-space: nowrap; }
th:first-child, td:first-child, th:last-child, td:last-child { text-align: left; }
.warning { border-left: 4px solid #B34E00; padding-left: .8rem; }
.columns { display: flex; flex-wrap: wrap; gap: 1.5rem; } .columns > div { flex: 1 1 14rem; }
.columns h3 { font-size: 1rem; margin: .3rem 0; }
svg { max-width: 100%; height: auto; } audio { width: 100%; margin: .5rem 0; }
@media print { button, audio { display: none; } section.bar { break-inside: avoid; } }
"""


def html_page(title: str, body: str, script: str = "") -> str:
    """A whole page; ``body`` is markup whose texts have been escaped."""
    code = f"<script>{script}</script>" if script else ""
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>\n{body}\n{code}</body></html>\n"
    )


def escape(text: object) -> str:
    """Text as HTML shows it."""
    return html.escape(str(text))


def pdf_page(template: str, data: Mapping, images: Mapping[str, str]) -> bytes:
    """A PDF from a typst template of ours.

    Parameters
    ----------
    template : str
        Typst source; it finds its data in ``data`` and pictures by name.
    data : mapping
        What JSON can hold.
    images : mapping of name → SVG
    """
    import typst

    with tempfile.TemporaryDirectory() as folder:
        for name, svg in images.items():
            Path(folder, name).write_text(svg, encoding="utf-8")
        Path(folder, "data.json").write_text(json.dumps(data), encoding="utf-8")
        main = Path(folder, "main.typ")
        main.write_text('#let data = json("data.json")\n' + template, encoding="utf-8")
        return typst.compile(str(main), root=folder, font_paths=[str(font_folder())], ignore_system_fonts=True)


def clock(time_s: float) -> str:
    """A time as players read it: ``1:07.5``."""
    tenths = round(max(0.0, time_s) * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def relative_link(target: str | os.PathLike, page: str | os.PathLike) -> str:
    """A link from a page to a file near it, quoted for HTML's ``src``."""
    from urllib.parse import quote

    path = os.path.relpath(Path(target).resolve(), Path(page).resolve().parent)
    return quote(path.replace(os.sep, "/"))
