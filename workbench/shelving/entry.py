"""What a catalogue says of one song: a reading as plain data, small enough for many thousands of them."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

from workbench.chart import Chart, Note, is_doubtful
from workbench.chart.counting import bar_list, place_name
from workbench.chart.drumkit import drum_key_order
from workbench.chart.ghosts import ghost_limit, is_ghost
from workbench.facts import plain
from workbench.files.audio import AudioInfo
from workbench.grouping import grouped
from workbench.practice.tempi import strokes_per_s
from workbench.reading.doubts import doubtful_hits, expected_corrections, quality
from workbench.reading.fill_reading import DIFFICULTY, difficulty_of_rate
from workbench.reading.part_reading import PartGroove, PartReading
from workbench.reading.patterns import Patterns
from workbench.reading.wording import fill_kinds, section_name
from workbench.shelving.likeness import struck_slots

#: A stroke counts as played at a place of the song if so many bars have it (common practice, no source): one alone
#: may be misheard.  What is rarer, ghost notes and flams, counts wherever it is if the song has so many.
FEWEST_PLACES = 2
#: What a draft is worth in which nothing was heard.
NO_DRUMS = "No drums"


def shelf_entry(reading: PartReading, sound: AudioInfo | None = None, edited: bool = False) -> dict[str, Any]:
    """A song in the catalogue.

    Parameters
    ----------
    reading : PartReading
    sound : AudioInfo, optional
        Of the recording; without one the length is the chart's.
    edited : bool
        Whether a person is known to have worked on the chart; otherwise it tells what they confirmed or fixed.

    Returns
    -------
    dict
        What JSON can hold; ``grooves`` and ``fills`` are lists, ``strokes`` the places of each instrument.
    """
    chart, bars = reading.chart, reading.chart.time_map.bars
    playing = sum(bool(b.notes) for b in chart.bars)
    corrections = sum(expected_corrections(chart)) / playing if playing else None
    grooves, fills = _grooves(reading), _fills(reading)
    sure = [item["difficulty"] for item in (*grooves, *fills) if item["sure"]]
    return plain(
        {
            "title": chart.title,
            "artist": chart.artist,
            "length_s": chart.time_map.end_s if sound is None else sound.duration_s,
            "sound": "" if sound is None else _sound_words(sound),
            "bars": len(chart),
            "tempo_bpm": round(chart.time_map.mean_tempo_bpm()),
            "meters": [m for m, _ in Counter(str(b.meter) for b in bars).most_common()],
            "feel": chart.feel_told,
            "form": [section_name(s) for s in reading.form],
            "difficulty": max(sure, default=None),
            "hits": sum(len(b.notes) for b in chart.bars),
            "doubts": doubtful_hits(chart).total(),
            "corrections": corrections,
            "quality": NO_DRUMS if corrections is None else quality(corrections).partition(":")[0],
            "state": _state(chart, edited),
            "grooves": grooves,
            "fills": fills,
            "strokes": _strokes(chart) | _signs(chart),
        }
    )


def _sound_words(sound: AudioInfo) -> str:
    channels = {1: "mono", 2: "stereo"}.get(sound.channels, f"{sound.channels} channels")
    return f"{channels}, {sound.sample_rate / 1000:g}\N{NO-BREAK SPACE}kHz"


def short_name(own: PartGroove) -> str:
    """A groove in few words: as students know it, or what is most telling of it, unless that is one bar's alone."""
    first = next(iter(own.groove.names), "").split(",")[0]
    bar_alone = own.groove.phrase_bars > 1 and re.match(r"bars? .*of \d+: ", first)
    return own.groove.known_as or (
        own.text if own.given else f"groove of {own.groove.phrase_bars} bars" if bar_alone else first
    )


def _state(chart: Chart, edited: bool) -> str:
    """ "drafted", "looked at", or "done" where every bar with drafted hits was confirmed; that nothing was heard in a
    recording nobody has confirmed."""
    unheard = chart.recording is not None and not any(b.notes for b in chart.bars)
    if not chart.unchecked_bars and not unheard:
        return "done"
    touched = any(n.confirmed for _, n in chart.notes()) or any(b.fixed for b in chart.time_map.bars)
    return "looked at" if edited or touched or any(b.done for b in chart.bars) else "drafted"


def _grooves(reading: PartReading) -> list[dict[str, Any]]:
    """The grooves that fill most bars first."""
    patterns = Patterns.of(reading.chart)
    out = []
    for own in reading.grooves:
        base = own.groove.base_bars
        difficulty = round(difficulty_of_rate(strokes_per_s(reading.chart, base)))
        out.append(
            {
                "name": short_name(own),
                "text": own.text,
                "bars": bar_list(reading.chart.time_map, own.groove.bar_indices),
                "count": len(own.groove.bar_indices),
                "difficulty": min(difficulty, len(DIFFICULTY) - 1),
                "sure": not own.grounds.is_left_out,
                "free": own.free,
                "struck": struck_slots(patterns, base),
            }
        )
    return sorted(out, key=lambda g: -g["count"])


def _fills(reading: PartReading) -> list[dict[str, Any]]:
    """Each fill once, with how often it comes."""
    out = []
    for members in fill_kinds(reading).values():
        first = members[0]
        out.append(
            {
                "text": first.text,
                "bars": bar_list(reading.chart.time_map, sorted({k for f in members for k in f.span.bars})),
                "times": len(members),
                "difficulty": first.difficulty,
                "sure": first.grounds.is_plain,
            }
        )
    return out


def _sure_notes(chart: Chart) -> list[tuple[int, Note]]:
    """Bar index and note of the hits that are not in doubt: a doubtful hit is no fact to find a song by."""
    return [(k, n) for k, n in chart.notes() if not is_doubtful(n, chart.doubt_below)]


def _strokes(chart: Chart) -> dict[str, list[str]]:
    """Places at which each instrument is surely struck in :data:`FEWEST_PLACES` bars or more, in their order."""
    counts = Counter((n.instrument, n.position, _place(chart, k, n)) for k, n in _sure_notes(chart))
    often = sorted(struck for struck, times in counts.items() if times >= FEWEST_PLACES)
    usual = grouped(dict.fromkeys((name, place) for name, _, place in often))
    return {name: usual[name] for name in sorted(usual, key=drum_key_order)}


def _signs(chart: Chart) -> dict[str, list[str]]:
    """Places of ghost notes, flams and other ways to play, those that come :data:`FEWEST_PLACES` times in the song."""
    limit = ghost_limit(chart)
    played = [
        ({"ghost": "ghost note", "double": "double stroke"}.get(sign, sign), n.position, _place(chart, k, n))
        for k, n in _sure_notes(chart)
        for sign in n.articulations - {"accent"} | ({"ghost"} if is_ghost(n, limit) else set())
    ]
    times = Counter(name for name, *_ in played)
    return grouped(dict.fromkeys((name, at) for name, _, at in sorted(played) if times[name] >= FEWEST_PLACES))


def _place(chart: Chart, bar_index: int, note: Note) -> str:
    return place_name(chart.time_map.bars[bar_index], note.position)
