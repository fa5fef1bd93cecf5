"""What differs between chart and recording, and how sure that is."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.sentences import says
from tests.test_align import CHORUS, GROOVE, SONG, chart_of
from tests.test_check import HEARD, found, heard_of, with_bar
from tests.test_findings import activations_of
from workbench.chart import Note, WrittenBar
from workbench.chart.events import Stroke
from workbench.checking.check import check_chart
from workbench.checking.findings import WRONG_FROM


@pytest.mark.common_practice
@pytest.mark.parametrize("moved_s", [0.035, -0.05, 0.06])
def test_micro_timing_is_feel_and_never_wrong(moved_s):
    """A 16th lasts 133 ms here: nobody would write these strokes elsewhere."""
    bars = [
        replace(b, notes=tuple(replace(n, deviation_s=moved_s * (k % 7 == 3)) for k, n in enumerate(b.notes)))
        for b in SONG
    ]
    check = check_chart(chart_of(bars, 113.0), HEARD)
    assert any(f.kind in ("early", "late") for f in check.findings)
    assert not any(f.verdict == "wrong" for f in check.findings)


def test_a_doubtful_stroke_is_for_listening():
    strokes = tuple(sorted((*HEARD.strokes, Stroke(1.3 + 4.2 * 240 / 113, "kick", 60, 0.93))))
    (finding,) = found(SONG, replace(HEARD, strokes=strokes))
    assert finding.kind == "missing" and finding.verdict == "listen"


def test_an_instrument_that_is_badly_heard_is_for_listening():
    """Half the snare strokes are not heard: that tells of the ear, not of the chart."""
    snare = [s for s in HEARD.strokes if s.instrument == "snare"]
    deaf = replace(HEARD, strokes=tuple(s for s in HEARD.strokes if s not in snare[::2]))
    findings = found(SONG, deaf, kind="extra", instrument="snare")
    assert len(findings) > 5 and all(f.verdict == "listen" for f in findings)


def test_kin_taken_for_each_other_all_over_are_for_listening():
    """Every closed hi-hat heard as pedal hi-hat may be the kit; a ride heard in its place is not."""
    for heard_as, verdicts in (("pedal hi-hat", {"listen"}), ("ride", {"wrong"})):
        strokes = tuple(
            replace(s, instrument=heard_as) if s.instrument == "closed hi-hat" else s for s in HEARD.strokes
        )
        findings = found(SONG, replace(HEARD, strokes=strokes), kind="wrong drum", instrument="closed hi-hat")
        assert len(findings) > 20 and {f.verdict for f in findings} == verdicts


def test_a_drum_heard_at_many_strokes_of_another_is_for_listening():
    """A kick heard at every second tom of a fill may be the toms' own sound; one left out has its place in the bar."""
    fill, said = WrittenBar(tuple(Note(F(k, 8), "floor tom", 100) for k in range(8))), []
    for places, bars in (((0, 3, 4, 7), (5,)), ((4,), (3, 5, 7))):
        song = [fill if k in bars else bar for k, bar in enumerate(SONG)]
        heard = heard_of(song)
        toms = [s.time_s for s in heard.strokes if s.instrument == "floor tom"]
        kicks = [Stroke(toms[8 * k + place], "kick", 95, 0.97) for k in range(len(bars)) for place in places]
        told = found(song, replace(heard, strokes=tuple(sorted((*heard.strokes, *kicks)))), kind="missing")
        assert [f.heard_instrument for f in told] == ["kick"] * len(kicks)
        said.append([f.probability for f in told])
    here_and_there, in_one_place = said
    assert max(here_and_there) < WRONG_FROM - 0.1 and min(in_one_place) > max(here_and_there) + 0.1


def test_a_hi_hat_in_the_ring_of_a_crash_is_hardly_missed():
    """What a crash drowns is told as unheard, not as wrong; the same hi-hat after a kick alone is wrong."""
    at = 1.3 + 4 * 240 / 113
    said = {}
    for crash in (True, False):
        bars = with_bar(4, replace(GROOVE, notes=(*GROOVE.notes, *[Note(F(0), "crash", 110)] * crash)))
        strokes = heard_of(bars).strokes
        lost = min((s for s in strokes if s.instrument == "closed hi-hat"), key=lambda s: abs(s.time_s - at - 30 / 113))
        assert lost.time_s == pytest.approx(at + 30 / 113, abs=0.02)
        heard = [s for s in strokes if s is not lost]
        findings = found(bars, replace(HEARD, strokes=tuple(heard), activations=activations_of(heard)), bar_number=5)
        said[crash] = [f.probability for f in findings if f.instrument == "closed hi-hat"]
    assert max(said[True], default=0.0) < 0.2 and said[False][0] > WRONG_FROM


def test_soft_and_covered_notes_are_for_listening():
    ghost = found(with_bar(5, CHORUS.with_note(Note(F(7, 16), "snare", 30, frozenset({"ghost"})))))
    covered = found(with_bar(5, CHORUS.with_note(Note(F(1, 4), "closed hi-hat", 70))))
    assert [f.verdict for f in (*ghost, *covered)] == ["listen", "listen"]


def test_a_drum_heard_early_in_place_of_another_is_itself_told_to_be_early():
    """The note that is written is not heard: its drum cannot be heard early."""
    (k, snare), *_ = [(k, s) for k, s in enumerate(HEARD.strokes) if s.instrument == "snare" and s.time_s > 20]
    kick = replace(snare, instrument="kick", time_s=snare.time_s - 0.028)
    others = [s for j, s in enumerate(HEARD.strokes) if j != k]
    (finding,) = found(SONG, replace(HEARD, strokes=tuple(sorted((*others, kick)))))
    assert says(finding.text, "snare is written, kick is heard", "ms early"), "one sentence to a note"
    assert finding.kind == "wrong drum" and finding.deviation_s == pytest.approx(-0.028, abs=0.012)


def test_an_open_hi_hat_written_and_a_closed_one_half_heard_are_one_mistake():
    """Where the other bars have a closed hi-hat: neither "open is not heard" nor "closed is not written" by itself."""
    song, place = [GROOVE] * 12, F(3, 8)
    heard, at = heard_of(song), 1.3 + (5 + 3 / 8) * 240 / 113
    lost = min((s for s in heard.strokes if s.instrument == "closed hi-hat"), key=lambda s: abs(s.time_s - at))
    rest = [s for s in heard.strokes if s is not lost]
    ear = replace(heard, strokes=tuple(rest), activations=activations_of([*rest, replace(lost, confidence=0.5)]))
    opened = GROOVE.without(place, "closed hi-hat").with_note(Note(place, "open hi-hat"))
    (finding,) = found([*song[:5], opened, *song[6:]], ear, position=place)
    assert finding.kind == "wrong drum"
    assert says(finding.text, "Bar 6, the & of 2: open hi-hat is written, closed hi-hat is heard")


@pytest.mark.parametrize("sure, told", [(0.7, ["closed hi-hat is heard but not written; it may be open"]), (0.99, 2)])
def test_a_hi_hat_heard_open_and_closed_and_not_written_is_one_stroke(sure, told):
    """Unless the ear is sure of both."""
    song = [GROOVE] * 12
    heard, at = heard_of(song), 1.3 + (5 + 1 / 8) * 240 / 113
    rest = [s for s in heard.strokes if abs(s.time_s - at) > 0.03]
    twice = [Stroke(at, name, 90, sure) for name in ("open hi-hat", "closed hi-hat")]
    without = [*song[:5], GROOVE.without(F(1, 8), "closed hi-hat"), *song[6:]]
    findings = found(without, replace(heard, strokes=tuple(sorted((*rest, *twice)))), kind="missing")
    assert len(findings) == (told if told == 2 else 1)
    assert told == 2 or says(findings[0].text, *told)


@pytest.mark.parametrize("sure, kind, verdict", [(0.8, "wrong drum", "listen"), (1.0, "missing", "wrong")])
def test_drums_that_sound_alike_heard_together(sure, kind, verdict):
    """A crash is written, crash and open hi-hat are heard: unless both are sure, the note may be the other one."""
    place = F(9, 16)
    bars = with_bar(4, CHORUS.with_note(Note(place, "crash")))
    at = 1.3 + 4 * 240 / 113 + float(place) * 240 / 113
    strokes = tuple(sorted((*HEARD.strokes, Stroke(at, "crash", 90, sure), Stroke(at, "open hi-hat", 90, 1.0))))
    (finding,) = found(bars, replace(HEARD, strokes=strokes))
    assert (finding.kind, finding.heard_instrument, finding.verdict) == (kind, "open hi-hat", verdict)
    assert ("with it or in its place" in finding.text) == (kind == "wrong drum")


def test_a_note_in_the_wrong_place_is_one_finding():
    bar = CHORUS.without(F(1, 4), "snare").with_note(Note(F(5, 16), "snare"))
    (finding,) = found(with_bar(4, bar))
    assert (finding.kind, finding.position, finding.verdict) == ("wrong place", F(5, 16), "wrong")
    assert says(finding.text, "Bar 5", "e of 2", "snare", "on 2")
    assert finding.deviation_s == pytest.approx(-60 / 113 / 4, abs=0.01)


MOVED_SNARE = CHORUS.without(F(1, 4), "snare").with_note(Note(F(3, 8), "snare"))


def heard_beside(name, height):
    """The song as heard, with one stroke more where bar 5 writes its snare an eighth late, or a trace of it."""
    more = Stroke(1.3 + 4.375 * 240 / 113, name, 90, height)
    if height < 0.5:
        return replace(HEARD, activations=activations_of([*HEARD.strokes, more]))
    return replace(HEARD, strokes=tuple(sorted((*HEARD.strokes, more))), activations=activations_of(HEARD.strokes))


@pytest.mark.parametrize("name, height", [("snare", 0.0), ("snare", 0.3), ("mid tom", 0.6)])
def test_a_note_heard_elsewhere_is_told_alike_whatever_else_is_heard_in_its_place(name, height):
    """A trace of the drum, or another drum that nobody wrote, explains no note that is heard an eighth away."""
    moved = [f for f in found(with_bar(4, MOVED_SNARE), heard_beside(name, height)) if "snare" in f.text]
    assert [(f.kind, f.heard_at, f.verdict) for f in moved] == [("wrong place", (4, F(1, 4)), "wrong")]


@pytest.mark.parametrize("name, height", [("snare", 0.3), ("mid tom", 0.6)])
def test_a_note_heard_nowhere_else_is_told_as_before(name, height):
    bar = CHORUS.with_note(Note(F(3, 8), "snare"))
    told = {f.kind for f in found(with_bar(4, bar), heard_beside(name, height))}
    assert told == ({"wrong drum"} if name == "mid tom" else set())


@pytest.mark.parametrize("to, words", [(F(1, 2), "snare is written, but heard on 2"), (F(0), "heard on 2")])
def test_a_note_moved_by_a_beat_is_one_finding(to, words):
    (finding,) = found(with_bar(4, CHORUS.without(F(1, 4), "snare").with_note(Note(to, "snare"))))
    assert finding.kind == "wrong place" and words in finding.text and finding.heard_at == (4, F(1, 4))


def test_a_note_moved_over_the_bar_line_is_one_finding_and_in_several_bars_one_pattern():
    bars = list(SONG)
    for k in (4, 6, 8):
        bars[k] = bars[k].without(F(0), "kick")
        bars[k - 1] = bars[k - 1].with_note(Note(F(15, 16), "kick"))
    check = check_chart(chart_of(bars), HEARD)
    moved = [f for f in check.findings if f.kind == "wrong place"]
    assert [(f.bar_index, f.heard_at) for f in sorted(moved, key=lambda f: f.bar_index)] == [
        (k - 1, (k, F(0))) for k in (4, 6, 8)
    ]
    assert says(moved[0].text, "a of 4", f"on 1 in bar {moved[0].bar_number + 1}")
    assert not [f for f in check.findings if f.instrument == "kick" and f.kind in ("missing", "extra")]
    bars = list(SONG)
    for k in (1, 8, 10):
        bars[k] = bars[k].without(F(1, 4), "snare").with_note(Note(F(1, 2), "snare"))
    (pattern,) = (p for p in check_chart(chart_of(bars), HEARD).patterns if p.kind == "wrong place")
    assert says(pattern.text, "On 3 in bars 2, 9, 11", "snare", "heard on 2") and len(pattern.findings) == 3


@pytest.mark.parametrize("at_s, verdict", [(0.0, "listen"), (1.3 + 3.5 * 240 / 113, "wrong")])
def test_where_a_recording_begins_amid_sound_the_ear_is_not_believed(at_s, verdict):
    """The song's recording cut where its first bar begins, so that all that sounds there attacks at once."""
    cut_s = 1.3
    early = replace(
        HEARD,
        strokes=tuple(replace(s, time_s=s.time_s - cut_s) for s in HEARD.strokes if s.time_s >= cut_s),
        beat_times_s=tuple(t - cut_s for t in HEARD.beat_times_s if t >= cut_s),
        duration_s=HEARD.duration_s - cut_s,
    )
    odd = Stroke(max(0.0, at_s - cut_s * (at_s > 0)), "floor tom", 100, 0.995)
    findings = found(SONG, replace(early, strokes=tuple(sorted((*early.strokes, odd)))))
    assert {f.verdict for f in findings if f.heard_instrument == "floor tom"} == {verdict}


@pytest.mark.common_practice
@pytest.mark.parametrize("late_s", [-0.03, 0.0, 0.03])
def test_strokes_that_nobody_wrote_are_named_on_one_grid_with_their_beat(late_s):
    """Four even sixteenths, the inner ones a little off, are no sextuplet and no triplet."""
    beat_s = 60 / 113
    at = [1.3 + 5 * 4 * beat_s + beat_s * k / 4 + late_s * (k > 0) for k in range(1, 4)]
    more = [Stroke(t, "snare", 100, 1.0) for t in at]
    check = check_chart(chart_of(SONG), replace(HEARD, strokes=tuple(sorted((*HEARD.strokes, *more)))))
    told = [f.position for f in check.findings if f.kind == "missing" and f.instrument == "" and f.bar_number == 6]
    assert sorted(told) == [F(1, 16), F(2, 16), F(3, 16)]
