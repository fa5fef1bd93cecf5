"""Written notes looked for among the strokes heard."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.sentences import says
from tests.test_align import CHORUS, SONG, chart_of
from tests.test_check import HEARD, found, heard_of, with_bar
from workbench.chart import Note, WrittenBar
from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.checking.check import check_chart
from workbench.checking.findings import faint_strokes
from workbench.listening.activations import Activations


def activations_of(strokes, height=0.9, duration_s=40.0):
    onset = np.zeros((round(duration_s * 100), len(DETECTED)), np.float32)
    for s in strokes:
        column = DETECTED.index(s.instrument)
        onset[round(s.time_s * 100), column] = height if s.confidence == 1 else s.confidence
    flat = np.zeros(len(onset), np.float32)
    return Activations(100.0, DETECTED, onset, onset, flat, flat)


def test_a_stroke_half_heard_explains_a_written_note():
    lost = HEARD.strokes[40]
    rest = tuple(s for s in HEARD.strokes if s is not lost)
    deaf = replace(HEARD, strokes=rest, activations=activations_of(rest))
    assert [f.kind for f in found(SONG, deaf)] == ["extra"]
    half = replace(deaf, activations=activations_of([*rest, replace(lost, confidence=0.35)]))
    assert [s.instrument for s in faint_strokes(half)] == [lost.instrument]
    finding = found(SONG, half)
    assert not finding or finding[0].probability < 0.4


def test_a_trace_beside_its_place_makes_an_unheard_note_late():
    lost = HEARD.strokes[40]
    rest = tuple(s for s in HEARD.strokes if s is not lost)
    trace = replace(lost, time_s=lost.time_s + 0.04, confidence=0.1)
    (finding,) = found(SONG, replace(HEARD, strokes=rest, activations=activations_of([*rest, trace])))
    assert (finding.kind, finding.instrument, finding.verdict) == ("late", lost.instrument, "listen")
    assert finding.deviation_s == pytest.approx(0.04, abs=0.011)
    assert says(finding.text, f"{finding.deviation_s * 1000:.0f} ms after", "softly")


def test_an_open_hi_hat_heard_early_as_a_cymbal_is_told_in_one_sentence():
    bars = with_bar(4, CHORUS.with_note(Note(F(9, 16), "open hi-hat")))
    at = 1.3 + 4 * 240 / 113 + 9 / 16 * 240 / 113 - 0.06
    strokes = tuple(sorted((*HEARD.strokes, Stroke(at, "crash", 90, 0.95))))
    (finding,) = found(bars, replace(HEARD, strokes=strokes))
    assert finding.kind == "early" and finding.deviation_s == pytest.approx(-0.06, abs=0.012)
    assert says(finding.text, "crash is heard", "ms before the written place of the open hi-hat")


def test_a_cymbal_heard_answers_the_cymbal_written_not_the_stick_beside_it():
    """Ride, side stick and pedal hi-hat are written together; the ride is heard as a crash, nearest to the stick."""
    place = F(9, 16)
    together = [Note(place, "ride"), Note(place, "side stick"), Note(place, "pedal hi-hat")]
    bars = with_bar(4, WrittenBar((*CHORUS.notes, *together)))
    at = 1.3 + 4 * 240 / 113 + float(place) * 240 / 113
    strokes = tuple(sorted((*HEARD.strokes, Stroke(at, "crash", 90, 0.95))))
    findings = {f.instrument: f for f in found(bars, replace(HEARD, strokes=strokes))}
    assert (findings["ride"].kind, findings["ride"].heard_instrument) == ("wrong drum", "crash")
    assert {findings["side stick"].kind, findings["pedal hi-hat"].kind} == {"extra"}


def test_what_the_detector_has_no_ear_for_is_said_and_not_judged():
    check = check_chart(chart_of([b.with_note(Note(F(0), "cowbell")) for b in SONG]), HEARD)
    assert check.findings == () and "cowbell" in check.remarks[-1]
    crash = [b.with_note(Note(F(0), "crash")) for b in SONG]
    splash = [b.with_note(Note(F(0), "splash")) for b in SONG]
    assert check_chart(chart_of(splash), heard_of(crash)).findings == ()


@pytest.mark.parametrize(
    "articulation, grace_s", [("flam", [-0.03]), ("drag", [-0.08, -0.04]), ("roll", [0.1, 0.2, 0.3])]
)
def test_ornaments_bring_strokes_of_their_own(articulation, grace_s):
    bars = with_bar(3, WrittenBar((Note(F(0), "snare", 100, frozenset({articulation})),)))
    heard = heard_of(with_bar(3, WrittenBar((Note(F(0), "snare"),))))
    line = 1.3 + 3 * 240 / 113
    graces = tuple(Stroke(line + g, "snare", 40) for g in grace_s)
    heard = replace(heard, strokes=tuple(sorted(heard.strokes + graces)))
    assert found(bars, heard) == []
