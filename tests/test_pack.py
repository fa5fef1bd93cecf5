"""The practice pack as it lies in its folder."""

import base64
import contextlib
import json
import re
import shutil
from fractions import Fraction as F
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.sentences import says
from workbench.chart import Chart, Note, Recording, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.errors import WorkbenchError
from workbench.files.audio import Audio, load_audio, save_audio, sha256_of
from workbench.files.chartfile import write_chart
from workbench.practice.exercises import section_exercise
from workbench.practice.pack import PAGE_PADDING, PackOptions, _clear, check_pack_folder, ladder_bpm, make_practice_pack
from workbench.practice.stages import Exercise, Stage
from workbench.sound.loudness import loudness_lufs, true_peak_dbtp
from workbench.sound.rendering import render_chart

pytestmark = pytest.mark.slow

RATE = 44100
NASTY = '</script><b>Rain & #Sun "quoted"'


def groove_bar(*more):
    notes = [Note(F(k, 8), "closed hi-hat", 90 - 20 * (k % 2)) for k in range(8)]
    return WrittenBar(
        (
            *notes,
            Note(F(0), "kick"),
            Note(F(1, 2), "kick"),
            Note(F(1, 4), "snare", 110),
            Note(F(3, 4), "snare", 110),
            *more,
        )
    )


@pytest.fixture(scope="module")
def song(tmp_path_factory):
    """A short chart with its recording: kit and a held chord."""
    folder = tmp_path_factory.mktemp("song")
    chart = Chart(TimeMap.steady(3, 120.0, start_s=0.5), (groove_bar(),) * 3, NASTY, "The Night Trams")
    kit = render_chart(chart, RATE, whole_recording=True).samples
    t = np.arange(len(kit)) / RATE
    chord = 0.05 * sum(np.sin(2 * np.pi * f * t) for f in (220, 277.2, 329.6))
    path = folder / "song.flac"
    save_audio(path, Audio(0.5 * kit + chord[:, None].astype(np.float32), RATE))
    recording = Recording("song.flac", sha256_of(path), len(kit) / RATE)
    chart = Chart(chart.time_map, chart.bars, chart.title, chart.artist, recording)
    write_chart(chart, folder / "song.chart.json")
    return chart, path


@pytest.fixture(scope="module")
def pack(song, tmp_path_factory):
    chart, recording = song
    exercise = section_exercise(chart, 0, 1, tempi=(0.5, 1.0))
    return make_practice_pack(
        chart,
        tmp_path_factory.mktemp("out") / "pack",
        exercises=(exercise,),
        recording=recording,
        options=PackOptions(track_repeats=2),
    )


def decoded(script, folder):
    text = script.read_text()
    key, code = re.fullmatch(r'heard\((".*?"), "(.*)"\);\n', text).groups()
    path = folder / "page.mp3"
    path.write_bytes(base64.b64decode(code))
    return json.loads(key), soundfile.read(path, always_2d=True)[0]


def test_everything_lies_in_the_folder(pack):
    assert pack.index.is_file() and pack.booklet.read_bytes().startswith(b"%PDF")
    assert {p.name for p in pack.folder.iterdir()} == {"audio", "page", "index.html", "booklet.pdf"}
    names = {p.name for p in pack.files}
    assert {
        "hands-60bpm.flac",
        "all-120bpm.flac",
        "record-60bpm-drums-down.flac",
        "record-120bpm-drums-up.flac",
        "track.mp3",
        "play-along.mp3",
    } <= names
    assert all(p.is_file() for p in pack.files)
    assert not pack.notes


@pytest.mark.parametrize("stage", ["hands", "feet", "all", "record"])
@pytest.mark.parametrize("tempo_bpm", [60, 120])
def test_loops_are_exact_to_the_sample(pack, stage, tempo_bpm):
    for path in pack.files:
        if path.name.startswith(f"{stage}-{tempo_bpm}bpm"):
            assert soundfile.info(path).frames == round(8 * 60 / tempo_bpm * RATE), path.name


def test_sound_is_level_and_never_clips(pack):
    for path in pack.files:
        x = load_audio(path).samples
        assert true_peak_dbtp(x) <= -1, path.name
        # Sparse or lossy sound may stay quieter, so that its peaks need not be crushed.
        least = -30 if "feet" in path.name else -19 if path.suffix == ".mp3" else -17.5
        assert least <= loudness_lufs(x, RATE) <= -15.5, path.name


def test_the_slow_recording_carries_its_strokes_where_the_slow_chart_has_them(pack):
    slow = load_audio(next(p for p in pack.files if p.name == "record-60bpm-drums-up.flac"))
    from workbench.sound.stretch import find_attacks

    found = find_attacks(slow)
    for beat in range(1, 8):
        assert np.abs(found - beat).min() < 0.003


def test_drums_are_turned_down_and_up(pack):
    back, out = (
        load_audio(next(p for p in pack.files if p.name == f"record-120bpm-drums-{name}.flac"))
        for name in ("down", "up")
    )

    def beat_over_between(audio):
        x = audio.mono()
        on = [np.mean(x[round(t * RATE) : round((t + 0.04) * RATE)] ** 2) for t in (0.5, 1.5, 2.5)]
        off = [np.mean(x[round((t + 0.18) * RATE) : round((t + 0.24) * RATE)] ** 2) for t in (0.5, 1.5, 2.5)]
        return 10 * np.log10(np.mean(on) / np.mean(off))

    assert beat_over_between(out) > beat_over_between(back) + 5


def test_page_sound_holds_more_than_a_loop_of_both_ends(pack, tmp_path):
    """Whatever a decoder adds in front, one exact round lies inside."""
    key, x = decoded(pack.folder / "page" / f"{pack.exercises[0].name}-all-120bpm-kit.js", tmp_path)
    assert key == f"{pack.exercises[0].name}/all-120bpm-kit"
    n = 4 * RATE
    assert len(x) >= n + 2 * PAGE_PADDING
    for shift in (PAGE_PADDING - 1500, PAGE_PADDING, PAGE_PADDING + 1500):
        lap = x[shift : shift + n]
        jump = np.abs(lap[0] - lap[-1]).max()
        assert jump < 0.05
        assert np.corrcoef(lap[:500, 0], x[shift + n : shift + n + 500, 0])[0, 1] > 0.9


def page_data(pack):
    text = (pack.folder / "page" / "pack.js").read_text(encoding="ascii")
    assert text.startswith("window.practicePack = ") and text.endswith(";\n")
    return json.loads(text[len("window.practicePack = ") : -2])


def test_the_page_knows_every_sound_and_every_link_is_there(pack):
    data = page_data(pack)
    linked = {data["song"]}
    for e in data["exercises"]:
        linked.add(e["track"])
        for s in e["stages"]:
            assert s["svg"].lstrip().startswith(("<svg", "<?xml"))
            for t in s["takes"]:
                for sound in t["sounds"].values():
                    assert (pack.folder / sound["script"]).is_file()
                    assert json.dumps(sound["key"]) in (pack.folder / sound["script"]).read_text()[:200]
                linked |= {href for _, href in t["files"]}
                assert len(t["clicks"]["quarter"]) == 8 and len(t["clicks"]["2 and 4"]) == 4
    assert linked == {p.relative_to(pack.folder).as_posix() for p in pack.files}


def test_the_page_asks_the_network_for_nothing(pack):
    for path in (pack.index, pack.folder / "page" / "player.js", pack.folder / "page" / "style.css"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"https?://|//cdn|@import", text), path.name
    assert "default-src 'none'" in pack.index.read_text(encoding="utf-8")


def test_titles_cannot_become_markup(pack):
    page = pack.index.read_text(encoding="utf-8")
    assert "<b>Rain" not in page and "&lt;/script&gt;" in page
    assert page_data(pack)["title"] == NASTY


def test_cautions_are_on_the_page(pack):
    text = {c["name"]: c["text"] + c["source"] for c in page_data(pack)["cautions"]}
    assert "85 dBA over 8 hours" in text["Hearing"] and "NIOSH" in text["Hearing"]
    assert "pain" in text["Strain"] and "law where you are" in text["Rights"]


def test_a_pack_replaces_a_pack_and_nothing_else(song, tmp_path):
    chart, _ = song
    e = (section_exercise(chart, 0, 0, tempi=(1.0,)),)
    quick = PackOptions(track_repeats=0, click="none")
    make_practice_pack(chart, tmp_path / "pack", exercises=e, options=quick)
    again = make_practice_pack(chart, tmp_path / "pack", exercises=e, options=quick)
    assert len(again.notes) == 1 and says(again.notes[0], "without the recording")
    assert not [p for p in again.files if "record" in p.name]
    (tmp_path / "pack" / "letter.txt").write_text("mine")
    with pytest.raises(WorkbenchError, match="holds other files"):
        make_practice_pack(chart, tmp_path / "pack", exercises=e, options=quick)
    assert (tmp_path / "pack" / "letter.txt").read_text() == "mine"


def test_a_pack_broken_off_can_be_made_again(song, tmp_path, monkeypatch):
    chart, _ = song
    e = (section_exercise(chart, 0, 0, tempi=(1.0,)),)
    quick = PackOptions(track_repeats=0)
    with monkeypatch.context() as broken:
        broken.setattr("workbench.practice.pack.write_pages", lambda *a, **k: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            make_practice_pack(chart, tmp_path / "pack", exercises=e, options=quick)
    assert make_practice_pack(chart, tmp_path / "pack", exercises=e, options=quick).index.is_file()


@pytest.mark.parametrize("step", [(shutil, "rmtree"), (Path, "unlink"), (Path, "mkdir"), (Path, "write_text")])
@pytest.mark.parametrize("new", [True, False])
def test_a_pack_broken_off_as_it_begins_or_as_it_replaces_one_is_known(tmp_path, monkeypatch, step, new):
    folder = tmp_path / "pack"
    if not new:
        _clear(folder)
        for name in ("audio/a.flac", "page/bars.svg", "index.html"):
            (folder / name).write_text("a pack")
    real = getattr(*step)
    for calls in range(4):
        left = [calls]

        def breaks_off(*args, left=left, **kw):
            left[0] -= 1
            if left[0] < 0:
                raise KeyboardInterrupt
            return real(*args, **kw)

        with monkeypatch.context() as broken, contextlib.suppress(KeyboardInterrupt):
            broken.setattr(*step, breaks_off)
            _clear(folder)
        check_pack_folder(folder)
    _clear(folder)
    assert sorted(p.name for p in folder.rglob("*")) == ["audio", "made-by-workbench.txt", "page"]


def test_a_folder_of_ones_own_is_never_taken_for_a_pack(song, tmp_path):
    chart, _ = song
    (tmp_path / "mine" / "audio").mkdir(parents=True)
    (tmp_path / "mine" / "audio" / "take.wav").write_text("mine")
    with pytest.raises(WorkbenchError, match="holds other files"):
        make_practice_pack(chart, tmp_path / "mine")
    assert (tmp_path / "mine" / "audio" / "take.wav").exists()


def test_loops_of_the_recording_join_without_a_step(pack):
    for path in pack.files:
        if path.name.startswith("record-") and "drums" in path.name:
            x = load_audio(path).mono()
            # A stroke begins on the bar line: no greater step than at the line inside the loop.
            line = len(x) // 2
            inside = np.abs(np.diff(x[line - 40 : line + 40])).max()
            assert abs(x[0] - x[-1]) <= 1.5 * inside + 0.01, path.name


def test_another_recording_is_refused(song, tmp_path):
    chart, _ = song
    other = tmp_path / "other.flac"
    save_audio(other, Audio(np.random.default_rng(0).uniform(-0.1, 0.1, (2 * RATE, 1)), RATE))
    with pytest.raises(WorkbenchError, match="is not the recording"):
        make_practice_pack(chart, tmp_path / "pack", recording=other)
    assert not (tmp_path / "pack").exists()


def test_slow_tempi_alone_still_slow_the_recording_down(song, tmp_path):
    chart, recording = song
    pack = make_practice_pack(
        chart,
        tmp_path / "pack",
        recording=recording,
        exercises=(section_exercise(chart, 0, 0, tempi=(0.5,)),),
        options=PackOptions(track_repeats=0),
    )
    out = next(p for p in pack.files if p.name == "record-60bpm-drums-up.flac")
    assert soundfile.info(out).frames == 4 * RATE


def test_a_count_in_comes_before_what_is_no_loop(song, tmp_path):
    chart, _ = song
    stages = (Stage("song", "in the song", (0, 1), loop=False), Stage("loop", "as a loop", (0, 1)))
    both = Exercise("x", "X", "fill", "bars 1–2", 0, stages, (120.0,))
    pack = make_practice_pack(
        chart, tmp_path / "pack", exercises=(both,), options=PackOptions(track_repeats=0, format="wav", count_in_bars=2)
    )
    once, lap = (soundfile.info(p).frames for p in reversed(pack.files))
    assert lap == 4 * RATE
    # Two bars of count-in, two of music, and what rings on.
    assert once == 4 * RATE + 4 * RATE + 2 * RATE


@pytest.mark.parametrize(
    "wrong, message",
    [
        ({"format": "aac"}, "flac, wav, mp3"),
        ({"click": "waltz"}, "A click is one of"),
        ({"kit_pan": 2.0}, "between -1"),
        ({"loudness_lufs": 0.0}, "LUFS"),
        ({"count_in_bars": -1}, "from 0 to 4 bars, not -1"),
        ({"count_in_bars": 99}, "from 0 to 4 bars, not 99"),
        ({"track_repeats": 1000}, "from 0 to 32 rounds"),
        ({"crash_every": 17}, "every 1 to 16 bars"),
        ({"ladder_step_bpm": 0.01}, "1 bpm or more, not 0.01"),
        ({"kit_db": float("nan")}, "20 dB, not nan"),
    ],
)
def test_wrong_options_are_refused(wrong, message):
    with pytest.raises(WorkbenchError, match=message):
        PackOptions(**wrong)


def test_ladders_end_at_the_original_tempo():
    assert ladder_bpm((60.0, 75.0, 100.0)) == (60.0, 75.0, 100.0)
    assert ladder_bpm((60.0, 75.0, 100.0), 10.0) == (60.0, 70.0, 80.0, 90.0, 100.0)
    assert ladder_bpm((90.0, 90.0), 5.0) == (90.0, 90.0)


def test_nothing_to_practise(tmp_path):
    chart = Chart.empty(TimeMap.steady(4, 100.0))
    with pytest.raises(WorkbenchError, match="nothing to practise"):
        make_practice_pack(chart, tmp_path / "pack")


# -- what students read --------------------------------------------------------------


# -- command line --------------------------------------------------------------------
