"""A chart rewritten in the order and at the times of a recording, and findings beside the grid."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.test_align import SONG, chart_of, played
from workbench.alignment.align import align_chart
from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.alignment.alignedchart import lay_on_recording, write_on_recording
from workbench.chart import Mark, Recording, Section, Text, WrittenBar
from workbench.chart.meter import Meter
from workbench.errors import AnalysisError
from workbench.listening.transcription import Transcription


def lay(written, order):
    strokes, beats, lines = played(order)
    chart = chart_of(written)
    return chart, align_chart(chart, strokes, beats), lines


def test_bars_lie_where_the_recording_plays_them():
    chart, alignment, lines = lay(SONG, SONG)
    recording = Recording("song.flac", "00", 30.0)
    aligned = write_on_recording(replace(chart, title="Copper Weather"), alignment, recording)
    assert aligned.bars == chart.bars and aligned.title == "Copper Weather" and aligned.recording == recording
    for k, line in enumerate(lines[:-1]):
        assert aligned.time_map.bar_start_s(k) == pytest.approx(line, abs=0.02)
    assert aligned.time_map.tempo_bpm(3) == pytest.approx(113, rel=0.02)


def test_repeats_are_written_out_and_what_lacks_is_empty():
    order = [*SONG[:8], *SONG[4:8], *SONG[8:]]
    chart, alignment, _ = lay(SONG, order)
    assert [b.pattern for b in write_on_recording(chart, alignment).bars] == [b.pattern for b in order]
    chart, alignment, _ = lay(SONG[:6] + SONG[7:], SONG)
    aligned = write_on_recording(chart, alignment)
    assert len(aligned) == 12 and aligned.bars[6].notes == () and aligned.time_map.bars[6].meter == Meter(4, 4)


def test_a_few_beats_become_a_short_bar():
    alignment = Alignment((AlignedBar(0, 0.0, 2.0), AlignedBar(None, 2.0, 3.0), AlignedBar(1, 3.0, 5.0)), 1.0)
    aligned = write_on_recording(chart_of(SONG[:2]), alignment)
    assert [str(b.meter) for b in aligned.time_map.bars] == ["4/4", "2/4", "4/4"]
    assert aligned.time_map.end_s == 5.0
    compound = Alignment((AlignedBar(0, 0.0, 2.0), AlignedBar(None, 2.0, 3.0)), 1.0)
    chart = chart_of([WrittenBar()], meter=Meter(6, 8))
    assert [str(b.meter) for b in write_on_recording(chart, compound).time_map.bars] == ["6/8", "3/8"]


def test_headings_go_with_their_bars():
    chart, alignment, _ = lay(SONG, SONG)
    alignment = Alignment(alignment.bars[2:], 1.0)
    chart = replace(
        chart,
        sections=(Section(0, "Intro"), Section(4, "Chorus")),
        texts=(Text(1, F(0), "soft"), Text(5, F(0), "loud")),
        marks=(Mark("fill", (3, F(0)), (4, F(0))),),
    )
    aligned = write_on_recording(chart, alignment)
    assert [(s.bar_index, s.name) for s in aligned.sections] == [(0, "Intro"), (2, "Chorus")]
    assert [(t.bar_index, t.text) for t in aligned.texts] == [(3, "loud")]
    assert [m.start for m in aligned.marks] == [(1, F(0))]


def test_nothing_laid():
    with pytest.raises(AnalysisError, match="No bar"):
        write_on_recording(chart_of(SONG), Alignment((), 0.0))


def test_a_part_by_others_is_laid_on_a_recording(monkeypatch, tmp_path):
    strokes, beats, lines = played(SONG)
    heard = Transcription(tuple(strokes), tuple(beats), lines[-1])
    monkeypatch.setattr("workbench.alignment.alignedchart.transcribe", lambda path, progress=None: heard)
    song = tmp_path / "song.flac"
    song.write_bytes(b"a recording")
    chart, agreement = lay_on_recording(chart_of(SONG), song)
    assert agreement > 0.9 and chart.recording.path == str(song) and chart.recording.duration_s == lines[-1]
    assert chart.time_map.bar_start_s(4) == pytest.approx(lines[4], abs=0.02)
