"""A song in the catalogue."""

import json
from dataclasses import replace

import numpy as np

from tests.parts import FILL, RIDE, ROCK, bar
from tests.shelves import chart_of
from workbench.chart import Recording, WrittenBar
from workbench.files.audio import AudioInfo
from workbench.reading.patterns import TICKS, VOICES
from workbench.reading.read import read_part
from workbench.shelving.entry import shelf_entry

OPEN = bar(H="x.x.x.x.x.x.x.o.", S="....x.......x...", K="x.......x.x.....")


def entry(chart, **more):
    return shelf_entry(read_part(chart), **more)


def confirmed(chart):
    bars = (WrittenBar(tuple(replace(n, confirmed=True) for n in b.notes)) for b in chart.bars)
    return replace(chart, bars=tuple(bars))


def test_it_says_what_the_part_is():
    chart = chart_of(*(ROCK,) * 7, FILL, *(RIDE,) * 8, artist="The Night Trams")
    found = entry(chart, sound=AudioInfo(61.0, 44100, 2, "WAV"))
    assert (found["title"], found["artist"], found["length_s"]) == ("Enamel Kettle", "The Night Trams", 61)
    assert found["sound"] == "stereo, 44.1\N{NO-BREAK SPACE}kHz"
    assert (found["bars"], found["tempo_bpm"], found["meters"]) == (16, 110, ["4/4"])
    assert len(found["form"]) == 2 and found["grooves"][0]["name"] == "rock eighths"
    assert sum(f["times"] for f in found["fills"]) == 1 and "16ths" in found["fills"][0]["text"]
    assert json.loads(json.dumps(found)) == found


def test_a_stroke_is_at_a_place_if_two_bars_have_it():
    found = entry(chart_of(*(OPEN,) * 2, *(ROCK,) * 6))["strokes"]
    assert found["open hi-hat"] == ["& of 4"] and found["kick"] == ["1", "3", "& of 3"]
    assert "open hi-hat" not in entry(chart_of(OPEN, *(ROCK,) * 7))["strokes"]


def test_ghost_notes_and_flams_are_found_by_their_places():
    snares = {"H": "x.x.x.x.x.x.x.x.", "K": "x.......x......."}
    ghosted, flam = bar(S="....Xo..o...X...", **snares), bar(S="....X.......f..f", **snares)
    found = entry(chart_of(*(ghosted,) * 7, flam))["strokes"]
    assert found["ghost note"] == ["e of 2", "3"] and found["flam"] == ["4", "a of 4"]
    assert "flam" not in entry(chart_of(*(ghosted,) * 7, bar(S="....X.......f...", **snares)))["strokes"], "one alone"


def test_a_doubtful_hit_is_no_fact_to_find_a_song_by():
    toms = bar(H="x.x.x.x.x.x.x.x.", S="....X.......X...", K="x.......x.......", F="........x.......")
    chart = chart_of(*(toms,) * 8)
    assert entry(chart)["strokes"]["floor tom"] == ["3"]
    doubtful = [
        [replace(n, confidence=0.3 if n.instrument == "floor tom" else 0.9) for n in b.notes] for b in chart.bars
    ]
    unsure = replace(chart, bars=tuple(WrittenBar(tuple(notes)) for notes in doubtful))
    assert "floor tom" not in entry(unsure)["strokes"] and entry(unsure)["strokes"]["snare"] == ["2", "4"]
    assert entry(confirmed(unsure))["strokes"]["floor tom"] == ["3"]


def test_bars_are_vectors_of_the_strokes_of_a_groove():
    (struck,) = entry(chart_of(*(ROCK,) * 8))["grooves"][0]["struck"]
    vector = np.zeros((4, len(VOICES), TICKS))
    vector.flat[struck] = 1
    assert [(b, t) for b, t in np.argwhere(vector[:, 0])] == [(0, 0), (2, 0), (2, 6)], "the kick on 1, 3 and the & of 3"


def test_difficulty_grows_with_the_tempo():
    slow, fast = (entry(chart_of(*(ROCK,) * 8, title=str(t)) if t == 110 else _at(t))["difficulty"] for t in (110, 220))
    assert slow < fast


def _at(tempo_bpm):
    from tests.parts import part

    return part(*(ROCK,) * 8, tempo_bpm=tempo_bpm)


def test_its_state_is_what_a_person_has_done():
    heard = replace(
        chart_of(), bars=tuple(WrittenBar(tuple(replace(n, confidence=0.6) for n in b.notes)) for b in chart_of().bars)
    )
    assert entry(heard)["state"] == "drafted" and entry(heard)["doubts"] > 0
    assert entry(heard, edited=True)["state"] == "looked at"
    first = replace(heard, bars=(confirmed(heard).bars[0], *heard.bars[1:]))
    assert entry(first)["state"] == "looked at"
    assert entry(confirmed(heard))["state"] == "done" and entry(confirmed(heard))["doubts"] == 0


def test_an_empty_part_is_an_entry_too():
    found = entry(chart_of(*(WrittenBar(),) * 4))
    assert found["grooves"] == found["fills"] == [] and found["difficulty"] is None and found["strokes"] == {}
    assert (found["corrections"], found["quality"], found["state"]) == (None, "No drums", "done")


def test_a_recording_in_which_nothing_was_heard_is_neither_done_nor_right():
    heard = replace(chart_of(*(WrittenBar(),) * 4), recording=Recording("song.flac", "0" * 64, 8.0))
    assert entry(heard)["state"] == "drafted" and entry(heard)["quality"] == "No drums"
    assert entry(heard, edited=True)["state"] == "looked at"


def test_a_groove_whose_bars_share_nothing_is_not_named_after_one_of_them():
    bars = bar(H="x.x.x.x.", S="..x...x.", K="x......."), bar(R="x.x.x.x.", S="..x..xx.", K="x...x...")
    (groove,) = entry(chart_of(*bars * 4))["grooves"]
    assert groove["name"] == "groove of 2 bars"
