"""The demo song: its truth is reproducible, its recording shows what the truth says."""

import importlib
import sys
from pathlib import Path

import numpy as np
import pandas
import pytest

import workbench as wb
from workbench.files.audio import describe_audio, load_audio, sha256_of
from workbench.files.chartfile import read_chart
from workbench.sound.stretch import find_attacks

FOLDER = Path(__file__).parent.parent / "data" / "demo"


@pytest.fixture(scope="module")
def script():
    sys.path.insert(0, str(FOLDER))
    try:
        yield importlib.import_module("make_demo")
    finally:
        sys.path.remove(str(FOLDER))


@pytest.fixture(scope="module")
def truth():
    return read_chart(wb.demo_song(what="chart"))


@pytest.mark.slow
def test_the_truth_comes_out_the_same_to_the_byte(script, tmp_path, monkeypatch):
    recording = FOLDER / "copper-weather.ogg"
    (tmp_path / recording.name).write_bytes(recording.read_bytes())
    monkeypatch.setattr(sys, "argv", ["make_demo.py", "--truth-only", "--out", str(tmp_path)])
    script.main()
    for path in sorted({*FOLDER.glob("*.truth.*"), *FOLDER.glob("*.chart.json")}):
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), path.name


def test_the_chart_names_its_recording(truth):
    recording = wb.demo_song()
    assert truth.recording.sha256 == sha256_of(recording)
    assert truth.recording.duration_s == pytest.approx(describe_audio(recording).duration_s, abs=1e-5)
    assert 60 <= truth.recording.duration_s <= 90
    assert recording.stat().st_size < 3e6


def test_the_song_holds_what_it_is_for(truth):
    assert truth.time_map.bars[0].is_pickup and truth.bars[0].notes
    silent = [k for k, bar in enumerate(truth.bars) if not bar.notes]
    assert [truth.section_at(k).name for k in silent] == ["Hush"]
    assert any(3 in bar.subdivisions for bar in truth.bars)
    chorus = next(s.bar_index for s in truth.sections if s.name == "Chorus")
    assert truth.bars[chorus].find(0, "crash")
    verse = next(s.bar_index for s in truth.sections if s.name == "Verse")
    assert len({truth.bars[k].pattern for k in range(verse + 1, verse + 4)}) == 3
    tempi = [truth.time_map.quarter_tempo_bpm(k) for k in range(len(truth))]
    assert max(tempi) - min(tempi) > 3
    said = set().union(*(n.articulations for _, n in truth.notes()))
    assert {"ghost", "accent", "flam", "drag", "choke"} <= said
    assert "open hi-hat" in truth.instruments_used()
    assert any(mark.text == "6 + 4 + 6" for mark in truth.marks)


def test_tables_and_chart_agree(truth):
    hits = pandas.read_csv(FOLDER / "copper-weather.truth.hits.csv")
    times_s = sorted(truth.note_time_s(k, n) for k, n in truth.notes())
    assert list(hits["time_s"]) == pytest.approx(times_s, abs=1e-6)
    beats = pandas.read_csv(FOLDER / "copper-weather.truth.beats.csv")
    assert list(beats["time_s"]) == pytest.approx(list(truth.time_map.anchor_times_s[:-1]), abs=1e-6)
    assert list(beats["beat"][:4]) == [3, 4, 1, 2]


@pytest.mark.slow
def test_loud_strokes_are_heard_where_the_truth_has_them(truth):
    """Of the snares and kicks of the truth nearly all are attacks of the recording."""
    found = find_attacks(load_audio(wb.demo_song()))
    loud = np.array(
        [truth.note_time_s(k, n) for k, n in truth.notes() if n.instrument in ("snare", "kick") and n.velocity > 60]
    )
    off_s = np.array([np.abs(found - t).min() for t in loud])
    assert np.mean(off_s < 0.015) > 0.85
    assert np.median(off_s) < 0.006
