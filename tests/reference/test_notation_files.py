"""Files made by others are read, and written again with the same notes.

* The unofficial MusicXML test suite (Reinhold Kainhofer and contributors, MIT),
  as carried by the PyPI package music21 in ``musicxml/lilypondTestSuite``:
  73a (percussion), and 45a–45g (repeats), 46a–46f (bar lines, pick-ups), 02–03
  (rests, rhythm), 23 (tuplets), 24 (graces) with their pitches made unpitched.
* ``corpus/demos/drum_sample.xml`` of music21 (BSD).
* The order in which repeats are heard: music21's own expander.
"""

import importlib.util
import re
import warnings
from pathlib import Path

import pytest

from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml, read_musicxml_bytes
from workbench.notation.scoresigns import ScoreOptions

MUSIC21 = Path(importlib.util.find_spec("music21").submodule_search_locations[0])
SUITE = MUSIC21 / "musicxml" / "lilypondTestSuite"
UNPITCHED = "<unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched>"


def unpitched(name: str) -> str:
    """A file of the suite as a drum part: every pitch a snare."""
    text = (SUITE / f"{name}.xml").read_text("utf-8")
    return re.sub(r"<pitch>.*?</pitch>", UNPITCHED, text, flags=re.S)


def heard(chart):
    return [(k, n.position, n.instrument, n.articulations) for k, n in chart.notes()]


def test_percussion_file_of_the_suite():
    """73a: cymbals e'' c'' | d'' and a triangle line, parts without instrument lists."""
    read = read_musicxml(SUITE / "73a-Percussion.xml")
    by_hand = [(0, 0, "high tom"), (0, 0.75, "snare"), (1, 0, "mid tom")]
    assert [(k, n.position, n.instrument) for k, n in read.chart.notes() if n.instrument != "kick"] == by_hand
    assert any("'Triangle' lists no instruments" in p for p in read.problems)
    assert any("read together" in p for p in read.problems)


def test_drum_sample():
    """Two bars of a groove: eighths on the hi-hat, backbeat, cowbell on the beats."""
    read = read_musicxml(MUSIC21 / "corpus" / "demos" / "drum_sample.xml")
    notes = heard(read.chart)
    assert len(read.chart) == 2
    assert {n[2] for n in notes} >= {"closed hi-hat", "snare", "kick", "cowbell", "crash"}
    assert [float(n[1]) for n in notes if n[0] == 0 and n[2] == "snare"] == [0.25, 0.75]


@pytest.mark.parametrize("name", ["73a-Percussion", "drum_sample"])
def test_written_again_with_the_same_notes(name):
    file = SUITE / f"{name}.xml" if name[0].isdigit() else MUSIC21 / "corpus" / "demos" / f"{name}.xml"
    first = read_musicxml(file).chart
    for options in (ScoreOptions(), ScoreOptions(repeats=True, one_voice=True)):
        again = read_musicxml_bytes(musicxml_bytes(first, options))
        assert heard(again.chart) == heard(first) and again.problems == ()


@pytest.mark.parametrize(
    "name",
    [
        "02e-Rests-NoType",
        "03aa-Rhythm-Durations",
        "03b-Rhythm-Backup",
        "03c-Rhythm-DivisionChange",
        "03d-Rhythm-DottedDurations-Factors",
        "23a-Tuplets",
        "23b-Tuplets-Styles",
        "23d-Tuplets-Nested",
        "23e-Tuplets-Tremolo",
        "24a-GraceNotes",
        "45b-RepeatWithAlternatives",
        "46b-MidmeasureBarline",
        "46d-PickupMeasure-ImplicitMeasures",
        "46e-PickupMeasure-SecondVoiceStartsLater",
        "46f-IncompleteMeasures",
    ],
)
def test_bars_and_onsets_are_those_that_music21_hears(name):
    import music21

    text = unpitched(name)
    chart = read_musicxml_bytes(text.encode(), name).chart
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        part = music21.converter.parseData(text, format="musicxml").expandRepeats().parts[0]
    onsets = []
    for k, measure in enumerate(part.getElementsByClass("Measure")):
        for n in measure.recurse().notes:
            tied = n.tie is not None and n.tie.type in ("stop", "continue")
            if not n.duration.isGrace and not tied:
                onsets.append((k, round(float(n.getOffsetInHierarchy(measure)) / 4, 6)))
    assert len(chart) == len(part.getElementsByClass("Measure"))
    assert sorted(set(onsets)) == sorted({(k, round(float(n.position), 6)) for k, n in chart.notes()})
    again = read_musicxml_bytes(musicxml_bytes(chart)).chart
    assert heard(again) == heard(chart)
