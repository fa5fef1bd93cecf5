"""Drum chart workbench: from a recording to a drum chart, its reading and its practice pack.

``import workbench as wb`` is the way in, for notebooks and programs alike::

    song = wb.open_chart("song.flac")    # drafted, or opened with your corrections
    wb.HitGrid(song)                     # correct it against the sound
    wb.export(song, "scores")            # PDF, MusicXML, MIDI

The way of the data: recording → activations → bars (time map) → strokes (played) → chart (written) → score,
reading, practice pack, check.  Whatever takes a chart takes a chart, an open chart, a draft, or the name of a
chart file, MusicXML or MIDI.
"""

import lazy_loader

__version__ = "0.2.0"

#: All that ``__init__.pyi`` names, loaded when first asked for, so that importing the workbench takes no time.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
