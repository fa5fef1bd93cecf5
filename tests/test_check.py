"""Checking a draft against the audio: known damage is found and clean charts are left alone.

Recordings here are lists of strokes as a detector would give them; the
benchmark (tests/benchmarks/bench_check.py) measures with rendered performances.
"""

import json
from dataclasses import replace
from fractions import Fraction as F

import pytest
from markupsafe import escape

from tests.sentences import says
from tests.test_align import CHORUS, GROOVE, SONG, VARIATION, chart_of, played
from workbench.chart import Note, WrittenBar
from workbench.chart.counting import percent_said
from workbench.chart.events import Stroke
from workbench.checking.check import check_chart, check_draft
from workbench.checking.check_report import check_page, short_lines, summary_of
from workbench.checking.findings import WRONG_FROM
from workbench.checking.judging import doubted, judge_notes
from workbench.listening.transcription import Transcription
from workbench.shipped import demo_song


def heard_of(bars, **how):
    how.setdefault("jitter_s", 0.003)
    strokes, beats, _ = played(bars, **how)
    return Transcription(tuple(strokes), tuple(beats), strokes[-1].time_s + 2)


HEARD = heard_of(SONG)


def found(bars, heard=HEARD, **about):
    """Findings of a kind (bar, instrument …) in a chart of these bars."""
    check = check_chart(chart_of(bars), heard)
    return [f for f in check.findings if all(getattr(f, k) == v for k, v in about.items())]


def with_bar(k, bar):
    return [*SONG[:k], bar, *SONG[k + 1 :]]


def test_a_right_chart_has_no_findings():
    check = check_chart(chart_of(SONG, 113.0), HEARD)
    assert check.findings == () and check.patterns == () and check.first == check.remarks == ()
    assert check.notes_heard == check.notes_aligned == sum(len(b.notes) for b in SONG)
    assert [b.bar_index for b in check.bars] == list(range(12)) and check.worst_bars == ()


@pytest.mark.slow
def test_nothing_of_the_demos_own_chart_is_called_wrong():
    """It is what was played: toms that sound like kicks, and a hi-hat in a crash's ring."""
    check = check_draft(demo_song(what="chart"), demo_song())
    assert check.alignment.agreement > 0.9 and not any(f.verdict == "wrong" for f in check.findings)


def test_written_but_not_heard():
    longer = [*with_bar(5, CHORUS.with_note(Note(F(7, 16), "snare"))), *SONG, *SONG]
    (finding,) = found(longer, heard_of(SONG * 3))
    assert (finding.kind, finding.bar_number, finding.instrument) == ("extra", 6, "snare")
    assert finding.verdict == "wrong"
    assert says(finding.text, "Bar 6", "a of 2", "snare", "not heard")
    assert finding.start_s < finding.time_s < finding.end_s
    assert finding.time_s == pytest.approx(1.3 + (5 + 7 / 16) * 240 / 113, abs=0.02)


@pytest.mark.parametrize("milder", [0.0, 1.0])
def test_every_note_not_heard_is_named_with_or_without_a_finding(milder, monkeypatch):
    """Three strokes that the ear lost: whether or not a finding speaks of them, heard and named make up the whole."""
    bars = with_bar(4, CHORUS.with_note(Note(F(3, 16), "floor tom")).with_note(Note(F(7, 16), "floor tom")))

    def judged(*about):
        by_ear = judge_notes(*about)
        return replace(by_ear, findings=[replace(f, probability=milder * f.probability) for f in by_ear.findings])

    monkeypatch.setattr("workbench.checking.check.judge_notes", judged)
    check = check_chart(chart_of(bars), HEARD)
    assert check.notes_aligned - check.notes_heard == 2 == len(check.unheard) + len(check.findings)
    lines = [*short_lines(check), check_page(check).html()]
    assert all(says(line, "floor tom", "bar 5") or says(line, "Bar 5", "floor tom") for line in lines)
    assert any("floor tom, 2 notes in bar 5" in line for line in lines) is (milder == 0)
    assert json.loads(json.dumps(check.to_data()))["unheard"] == (
        [{"position": p, "instrument": "floor tom", "bar": 5} for p in ("3/16", "7/16")] if milder == 0 else []
    )


def test_a_draft_of_the_same_ear_is_told_as_such_with_its_doubts():
    """Its agreeing with the recording proves little."""
    chart = chart_of(SONG, 113.0)
    drafted = [[replace(n, confidence=0.3 if n.instrument == "snare" else 0.9) for n in b.notes] for b in chart.bars]
    drafted = replace(chart, bars=tuple(WrittenBar(tuple(notes)) for notes in drafted))
    snares = sum(n.instrument == "snare" for _, n in chart.notes())
    check = check_chart(drafted, HEARD)
    assert says(check.remarks[0], "12 of 12 bars", "same ear", f"{snares} of the", "in doubt")
    assert says(check_page(check).html(), "Nothing to correct", "same ear")
    looked_at = replace(drafted, bars=tuple(replace(b, done=True) for b in drafted.bars))
    assert not check_chart(looked_at, HEARD).remarks and not check_chart(chart, HEARD).remarks


def test_heard_but_not_written():
    (finding,) = found(with_bar(4, CHORUS.without(F(3, 16), "kick")))
    assert (finding.kind, finding.bar_number, finding.heard_instrument) == ("missing", 5, "kick")
    assert finding.position == F(3, 16) and finding.verdict == "wrong"


def test_wrong_drum():
    bar = CHORUS.without(F(1, 4), "snare").with_note(Note(F(1, 4), "floor tom"))
    (finding,) = found(with_bar(4, bar))
    assert (finding.kind, finding.instrument) == ("wrong drum", "floor tom")
    assert finding.heard_instrument == "snare"
    assert "floor tom is written, snare is heard" in finding.text


@pytest.mark.parametrize("moved_s, kind", [(0.04, "early"), (-0.04, "late")])
def test_a_hit_moved_by_40_ms(moved_s, kind):
    first = GROOVE.find(F(0), "kick")
    bar = GROOVE.with_note(replace(first, deviation_s=moved_s))
    (finding,) = found(with_bar(8, bar))
    assert (finding.kind, finding.bar_number, finding.instrument) == (kind, 9, "kick")
    assert abs(finding.deviation_s) == pytest.approx(0.04, abs=0.012)


def test_a_bar_missing_and_a_bar_too_many():
    missing = found(SONG[:6] + SONG[7:])
    assert [(f.kind, f.bar_number) for f in missing] == [("bar missing", 6)]
    assert says(missing[0].text, "After bar 6", "1 bar")
    extra = found(SONG[:7] + [SONG[6]] + SONG[7:])
    assert [f.kind for f in extra] == ["bar extra"] and extra[0].bar_number in (7, 8)
    assert says(extra[0].text, "bars 7–8", "alike")


@pytest.mark.parametrize("bars", [SONG[:6] + SONG[7:], SONG[:7] + [SONG[6]] + SONG[7:]])
def test_a_bar_missing_or_too_many_stands_first_in_every_report(bars):
    check = check_chart(chart_of(bars), HEARD)
    (finding,) = check.findings
    assert check.worst_bars[0].findings == (finding,)
    assert escape(finding.text) in check_page(check).html()


def shifted(bars, first, last, by):
    """Bars whose notes are all written later by so much, over the bar line where it must be."""
    out = [{} if first <= k <= last else {n.key: n for n in b.notes} for k, b in enumerate(bars)]
    for k in range(first, last + 1):
        for n in bars[k].notes:
            over = (k + n.position + by) // 1
            new = replace(n, position=(n.position + by) % 1)
            out[over].setdefault(new.key, new)
    return [WrittenBar(tuple(b.values())) for b in out]


@pytest.mark.parametrize(
    "first, last, said", [(8, 8, "Bar 9 is"), (2, 2, "Bar 3 is"), (5, 6, "Bars 6–7 are"), (4, 6, "Bars 5–7 are")]
)
@pytest.mark.parametrize(
    "by, amount", [(F(1, 8), "an eighth late"), (F(-1, 8), "an eighth early"), (F(1, 4), "a beat late")]
)
def test_bars_written_beside_their_place_are_one_mistake(first, last, said, by, amount):
    check = check_chart(chart_of(shifted(SONG, first, last, by)), HEARD)
    (finding,) = check.findings
    assert (finding.kind, finding.bar_index, finding.verdict) == ("bar shifted", first, "wrong")
    assert [(s.first, s.last, s.by) for s in check.shifts] == [(first, last, by)]
    assert says(finding.text, f"{said} written {amount}") and finding.text in short_lines(check)[0]
    assert len(check.alignment.bars) == len(SONG) and not check.unheard


def test_a_drum_moved_within_its_bar_is_no_shifted_bar():
    kicks = [replace(n, position=n.position + F(1, 16)) if n.instrument == "kick" else n for n in CHORUS.notes]
    assert not found(with_bar(4, WrittenBar(tuple(kicks))), kind="bar shifted")


def test_bars_that_the_recording_does_not_hold_are_named():
    check = check_chart(chart_of(SONG), heard_of(SONG[3:10]))
    assert says(check.remarks[-1], "not checked", "bars 1–3", "bars 11–12")
    assert not check.findings
    short = check_chart(chart_of(SONG), heard_of(SONG[8:]))
    assert "make sure that this is the recording" in short.remarks[-1]
    assert says(summary_of(check), "100 %", "of the 7 bars found"), "a share is of what was found"
    assert "%" not in summary_of(short) and "4 of 12 bars" in summary_of(short)


def test_a_repeat_is_told_as_such():
    order = list(range(8)) + list(range(4, 8)) + list(range(8, 12))
    check = check_chart(chart_of(SONG), heard_of([SONG[k] for k in order]))
    (finding,) = check.findings
    assert finding.kind == "repeat" and "plays bars 5–8 again" in finding.text
    assert len(check.bars) == 16


def test_worst_first():
    bars = with_bar(2, VARIATION.with_note(Note(F(3, 8), "pedal hi-hat", 40)))
    bars[9] = WrittenBar(
        tuple(replace(n, instrument="floor tom") if n.instrument == "snare" else n for n in VARIATION.notes)
    )
    check = check_chart(chart_of(bars), HEARD)
    assert check.worst_bars[0].bar_number == 10
    order = [(f.verdict == "wrong", f.severity * f.probability) for f in check.findings]
    assert order == sorted(order, reverse=True)


def test_what_is_wrong_stands_before_any_number_of_doubts():
    place = 1.3 + 2 * 240 / 113
    doubts = [Stroke(place + k * 60 / 113 + 0.13, "snare", 90, 0.9) for k in range(4)]
    bars = with_bar(9, VARIATION.without(VARIATION.notes[0].position, VARIATION.notes[0].instrument))
    check = check_chart(chart_of(bars), replace(HEARD, strokes=tuple(sorted((*HEARD.strokes, *doubts)))))
    first, second = check.worst_bars
    assert (first.bar_number, second.bar_number) == (10, 3) and first.severity < second.severity
    assert check.findings[0].verdict == "wrong" and {f.verdict for f in check.findings[1:]} == {"listen"}


def test_the_same_fault_in_many_bars_is_one_pattern():
    bars = [
        WrittenBar(tuple(replace(n, instrument="ride") if n.instrument == "closed hi-hat" else n for n in b.notes))
        if b in (GROOVE, VARIATION)
        else b
        for b in SONG
    ]
    check = check_chart(chart_of(bars), HEARD)
    (pattern,) = check.patterns
    assert (pattern.kind, pattern.position, pattern.verdict) == ("wrong drum", None, "wrong")
    assert pattern.bar_numbers == (1, 2, 3, 9, 10, 11) and len(pattern.findings) == 48
    assert says(pattern.text, "bars 1–3, 9–11", "48 places", "ride", "closed hi-hat")


def test_a_wrong_place_stands_first_and_never_under_a_milder_verdict(monkeypatch):
    """The snare on 2 left out of six bars; of one of them alone it is sure."""
    bars = [b.without(F(1, 4), "snare") if b in (GROOVE, VARIATION) else b for b in SONG]

    def judged(*about):
        by_ear = judge_notes(*about)
        milder = [f if f.bar_number == 9 else doubted(f, 0.4) for f in by_ear.findings]
        return replace(by_ear, findings=milder)

    monkeypatch.setattr("workbench.checking.check.judge_notes", judged)
    check = check_chart(chart_of(bars), HEARD)
    (pattern,) = check.patterns
    assert pattern.verdict == "listen" and pattern.bar_numbers == (1, 2, 3, 10, 11)
    assert short_lines(check)[0] == "wrong: Bar 9: On 2: snare is heard but not written."
    heads_and_bars = [getattr(c, "name", c) for kind, c in check_page(check).blocks if kind in ("head", "bar")]
    assert heads_and_bars[1] == "Bar 9" and says(heads_and_bars[0], "Wrong") and says(heads_and_bars[2], "listen")


def test_what_is_told_of_several_bars_is_not_told_again_bar_by_bar():
    bars = [b.without(F(1, 4), "snare") if b in (GROOVE, VARIATION) else b for b in SONG]
    bars[5] = CHORUS.without(F(0), "kick")
    check = check_chart(chart_of(bars), HEARD)
    page = check_page(check).html()
    assert page.count("snare is heard but not written") == 1 and page.count("kick is heard but not written") == 1
    assert check.patterns[0].text.startswith("On 2 in bars") and "Bar 6 <" in page
    in_pattern = [n for n in check.patterns[0].bar_numbers if f"Bar {n} <" in page]
    assert len(in_pattern) == 1 and page.count(f"Bar {in_pattern[0]} <") == 1  # one bar shows it on staves


# -- doubt -------------------------------------------------------------------------------


def test_another_recording_gives_no_verdict():
    other = [
        WrittenBar((Note(F(0), "crash"), Note(F(5, 16), "floor tom"), Note(F(11, 16), "mid tom"))),
        WrittenBar((Note(F(3, 16), "floor tom"), Note(F(13, 16), "crash"))),
    ] * 6
    check = check_chart(chart_of(other), HEARD)
    assert "hardly agree" in check.first[0]
    assert not any(f.verdict == "wrong" for f in check.findings)


def test_a_chart_that_agrees_less_than_usual_may_be_of_another_song(monkeypatch):
    # Made songs agree better than recordings do; the usual is set between the two charts.
    monkeypatch.setattr("workbench.checking.check.USUAL_AGREEMENT", 0.9)
    other = [
        WrittenBar(tuple(replace(n, instrument="mid tom") if n.instrument.endswith("hi-hat") else n for n in b.notes))
        for b in SONG
    ]
    check = check_chart(chart_of(other), HEARD)
    assert f"{percent_said(check.alignment.agreement)} only: this may be another song" in check.first[0]
    assert not check_chart(chart_of(SONG), HEARD).first


# -- out ------------------------------------------------------------------------------------


def test_as_data():
    bars = with_bar(5, CHORUS.without(F(1, 4), "snare"))
    data = json.loads(json.dumps(check_chart(chart_of(bars), HEARD, "song.flac").to_data()))
    assert data["recording"] == "song.flac" and data["agreement"] > 0.9
    (finding,) = data["findings"]
    assert finding["verdict"] == "wrong" and finding["probability"] >= WRONG_FROM
    assert finding["play_from_s"] < finding["time_s"] < finding["play_to_s"]
    assert len(data["bars"]) == 12 and sum(b["findings"] for b in data["bars"]) == 1


@pytest.mark.parametrize(
    "lost, said",
    [
        (1, "It may be anywhere in bars 1–2, which are alike."),
        (5, "Bar 6 beside it is alike, so it may be on its other side."),
        (3, ""),
        (7, ""),
    ],
)
def test_a_gap_is_uncertain_among_bars_that_sound_like_it(lost, said):
    """Bars 1 to 3, 6 and 7 are alike; a gap that sounds otherwise is told where it is, whatever stands beside it."""
    song = [GROOVE, *SONG]
    (finding,) = [
        f for f in check_chart(chart_of(song[:lost] + song[lost + 1 :]), heard_of(song)).findings if f.position is None
    ]
    assert finding.kind == "bar missing"
    assert finding.text.removeprefix(finding.text.split("written.")[0] + "written.").strip() == said
