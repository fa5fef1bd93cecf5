"""Notes that a chart invents, and those that the ear half hears: what is there, what cannot be told, what is not."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

import workbench as wb
from tests.sentences import says
from tests.test_align import SONG, chart_of
from tests.test_check import HEARD
from tests.test_findings import activations_of
from workbench.alignment.align import align_chart
from workbench.chart import Note
from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.checking.check import check_chart
from workbench.checking.findings import match_notes
from workbench.checking.playing import measure_playing
from workbench.checking.presence import NOTE_MEASURES, PresencePoints, measure_notes, read_points
from workbench.files.chartfile import read_chart
from workbench.listening.activations import Activations
from workbench.listening.transcription import transcribe

#: In each of these bars of the song a snare and a kick, and here nobody wrote a floor tom.
PLACE = F(1, 4)
BARS = [k for k, b in enumerate(SONG) if b.find(PLACE, "snare") and not b.find(PLACE, "floor tom")]


def time_of(k, position=PLACE):
    return 1.3 + (k + float(position)) * 240 / 113


def heard_with(height=0.0, bars=BARS, stroke=None):
    """The song as heard; in some bars with a peak of the floor tom where a snare is, or a stroke so sure."""
    more = [Stroke(time_of(k), "floor tom", 100, height) for k in bars if height]
    activations = activations_of([*HEARD.strokes, *more])
    strokes = [replace(s, confidence=stroke) for s in more] if stroke else []
    return replace(HEARD, strokes=tuple(sorted((*HEARD.strokes, *strokes))), activations=activations)


def planted(bars=BARS, velocity=100):
    return chart_of(
        [b.with_note(Note(PLACE, "floor tom", velocity)) if k in bars else b for k, b in enumerate(SONG)], 113.0
    )


def presences(chart, heard):
    alignment = align_chart(chart, heard.strokes, heard.beat_times_s, heard.duration_s)
    matched = match_notes(chart, alignment, heard)
    return {(e.chart_bar, *e.note.key): matched.presence.get(i) for i, e in enumerate(matched.expected)}


def test_points_lie_on_lines_between_corners_and_go_on_as_at_the_last():
    points = PresencePoints((np.array([0.0, 2.0]),), (np.array([0.0, 4.0]),), -2.0)
    said = points.probabilities(np.array([[-1.0], [1.0], [5.0]]))
    assert np.log(said / (1 - said)) == pytest.approx([-2, 0, 2])


def test_the_packaged_points_hold_what_a_listener_expects():
    """The higher the peak and the better the same place is heard, the likelier; a loud note would be heard."""
    points = read_points()
    for name, way in (
        ("height", 1),
        ("above usual", 1),
        ("heard at place", 1),
        ("velocity", -1),
        ("heard of drum", -1),
    ):
        k = NOTE_MEASURES.index(name)
        rise = np.diff(points.points[k])
        assert (way * rise >= 0).all() and (rise != 0).any()


def test_a_note_of_which_nothing_is_heard_was_not_played():
    said = presences(planted([4]), heard_with())
    assert said[4, PLACE, "floor tom"] < 0.05
    assert said[4, PLACE, "snare"] is None, "what is surely heard is not measured"


def test_the_higher_the_peak_the_likelier_it_was_played():
    low, high = (presences(planted([4]), heard_with(h, [4]))[4, PLACE, "floor tom"] for h in (0.1, 0.45))
    assert low < high


def test_a_note_half_heard_where_the_other_bars_have_it_is_not_called_missed():
    lost = next(s for s in HEARD.strokes if s.instrument == "snare" and abs(s.time_s - time_of(4)) < 0.02)
    rest = tuple(s for s in HEARD.strokes if s is not lost)

    def told(height):
        heard = replace(HEARD, strokes=rest, activations=activations_of([*rest, replace(lost, confidence=height)]))
        return [s.what for s in measure_playing(chart_of(SONG, 113.0), heard).strokes]

    assert told(0.0) == ["missed"] and told(0.45) == ["unsure"]


@pytest.mark.parametrize("height", [0.0, 0.15])
def test_an_invented_note_is_found_in_every_bar(height):
    """Silence, or what a snare leaves in the floor tom's activation: its true strokes stand at 0.9."""
    chart, heard = planted(), heard_with(height)
    told = {f.bar_index for f in check_chart(chart, heard).findings if f.instrument == "floor tom"}
    assert told == set(BARS)
    missing = {s.bar_index for s in measure_playing(chart, heard).strokes if s.instrument == "floor tom"}
    assert missing == set(BARS)


def test_a_weak_stroke_under_a_louder_drum_is_no_note_played_and_none_missed():
    """The detector takes the snare for a floor tom, too, not surely: that cannot be told."""
    chart, heard = planted(), heard_with(0.4, stroke=0.37)
    (whats,) = {s.what for s in measure_playing(chart, heard).strokes if s.instrument == "floor tom"}
    assert whats == "unsure"
    findings = [f for f in check_chart(chart, heard).findings if f.instrument == "floor tom"]
    assert {f.verdict for f in findings} <= {"listen"}
    assert all(says(f.text, "floor tom is written", "faintly if at all") for f in findings)


def test_a_sure_stroke_needs_no_other_word():
    heard = heard_with(0.95, [4], stroke=0.95)
    assert presences(planted([4]), heard)[4, PLACE, "floor tom"] is None


def test_other_detectors_and_none_are_not_measured():
    heard, chart = heard_with(), planted()
    nothing = np.zeros((len(heard.activations.onset), 1), np.float32)
    other = Activations(100.0, ("kick",), nothing, nothing, nothing[:, 0], nothing[:, 0])
    for activations in (None, other):
        assert set(presences(chart, replace(heard, activations=activations)).values()) == {None}
    rows, measures = measure_notes(replace(heard, activations=None), [], [], {})
    assert rows == [] and measures.shape == (0, len(NOTE_MEASURES))


def test_measures_are_numbers_at_the_ends_of_a_recording():
    heard = heard_with()
    alignment = align_chart(planted(), heard.strokes, heard.beat_times_s, heard.duration_s)
    matched = match_notes(planted(), alignment, heard)
    by_frame = ("onset", "velocity", "beat", "downbeat")
    short = replace(heard.activations, **{n: getattr(heard.activations, n)[:300] for n in by_frame})
    rows, measures = measure_notes(replace(heard, activations=short), matched.expected, matched.names, {})
    assert len(rows) == sum(n in DETECTED for n in matched.names) and np.isfinite(measures).all()


@pytest.mark.slow
@pytest.mark.parametrize(
    "name, position", [("floor tom", F(0)), ("snare", F(3, 8)), ("crash", F(1, 4)), ("kick", F(3, 16))]
)
def test_what_is_planted_into_the_demo_song_is_found(name, position):
    """A loud note in every bar that has none of its drum near, on another drum's stroke or between two."""
    chart, heard = read_chart(wb.demo_song(what="chart")), transcribe(wb.demo_song())
    free = [
        k
        for k, b in enumerate(chart.bars)
        if b.notes and all(n.instrument != name or abs(n.position - position) > F(1, 16) for n in b.notes)
    ]
    bars = [b.with_note(Note(position, name, 105)) if k in free else b for k, b in enumerate(chart.bars)]
    wrong = replace(chart, bars=tuple(bars))
    check, playing = check_chart(wrong, heard), measure_playing(wrong, heard)
    told = {f.bar_index for f in check.findings if (f.position, f.instrument) == (position, name)}
    missing = {s.bar_index for s in playing.strokes if (s.position, s.instrument) == (position, name)}
    assert len(free) >= 8
    assert len(told & set(free)) >= 0.8 * len(free) and len(missing & set(free)) >= 0.9 * len(free)
