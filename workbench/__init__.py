"""Drum chart workbench: from a recording to a drum chart, its reading and its practice pack.

``import workbench as wb`` is the way in, for notebooks and programs alike::

    song = wb.open_chart("song.flac")    # drafted, or opened with your corrections
    wb.HitGrid(song)                     # correct it against the sound
    wb.export(song, "scores")            # PDF, MusicXML, MIDI

The way of the data: recording → activations → bars (time map) → strokes (played) → chart (written) → score,
reading, practice pack, check.  Whatever takes a chart takes a chart, an open chart, a draft, or the name of a
chart file, MusicXML or MIDI.
"""

import importlib
from typing import Any

from workbench.errors import WorkbenchError
from workbench.frontdoor import (
    bar_lines,
    beats,
    check,
    compare,
    correct,
    demo_song,
    draft,
    engrave,
    exercises,
    export,
    from_music21,
    hits,
    lay_bars,
    lesson,
    mark_reading,
    open_chart,
    play,
    plot,
    practice_pack,
    read_chart,
    read_part,
    report,
    save_chart,
    stems,
    sticking,
    take,
    to_music21,
)

__version__ = "0.2.0"

#: Loaded when first asked for, so that importing the workbench takes no time: name → module that has it.
_LATER = {
    "Chart": "workbench.chart",
    "CheckList": "workbench.checking.checklist",
    "Draft": "workbench.listening.draft",
    "HitGrid": "workbench.grid",
    "Note": "workbench.chart",
    "ScoreView": "workbench.grid",
    "draw_feel": "workbench.reading.plot",
    "draw_fill": "workbench.reading.plot",
    "draw_form": "workbench.reading.plot",
    "draw_groove": "workbench.reading.plot",
    "edits": "workbench.chart",
    "workspace": "workbench.grid",
}

__all__ = [
    "Chart",
    "CheckList",
    "Draft",
    "HitGrid",
    "Note",
    "ScoreView",
    "WorkbenchError",
    "bar_lines",
    "beats",
    "check",
    "compare",
    "correct",
    "demo_song",
    "draft",
    "draw_feel",
    "draw_fill",
    "draw_form",
    "draw_groove",
    "edits",
    "engrave",
    "exercises",
    "export",
    "from_music21",
    "hits",
    "lay_bars",
    "lesson",
    "mark_reading",
    "open_chart",
    "play",
    "plot",
    "practice_pack",
    "read_chart",
    "read_part",
    "report",
    "save_chart",
    "stems",
    "sticking",
    "take",
    "to_music21",
    "workspace",
]


def __getattr__(name: str) -> Any:
    if name not in _LATER:
        raise AttributeError(f"module 'workbench' has no attribute {name!r}")
    module = importlib.import_module(_LATER[name])
    value = importlib.import_module("workbench.chart.edits") if name == "edits" else getattr(module, name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
