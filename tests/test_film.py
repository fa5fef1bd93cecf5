"""A lesson to watch, decoded again by the library that wrote it."""

import sys
from dataclasses import replace

import numpy as np
import pytest

from tests.parts import FILL, ROCK, bar, part
from tests.test_doubts import FILL as FILL_OF_TOMS
from tests.test_doubts import MORE_KICK, heard, song
from workbench.errors import WorkbenchError
from workbench.practice import film
from workbench.practice.film import (
    FILM_RATE_HZ,
    FRAMES_PER_S,
    HEIGHT,
    LIT,
    WIDTH,
    Scene,
    paper_of,
    scenes_of,
    write_film,
)
from workbench.practice.lesson import plan_lesson
from workbench.reading.read import read_part

av = pytest.importorskip("av")

#: Two bars that sound and look different: kicks alone, hi-hats alone.
LOW, HIGH = bar(K="x...x...x...x..."), bar(H="x.x.x.x.x.x.x.x.")


@pytest.fixture(scope="module")
def scene():
    chart = part(LOW, HIGH, LOW, HIGH, tempo_bpm=200.0)
    return Scene("1. A <Verse>", "all together", "♩ = 200", chart, 1.2, bars=2)


@pytest.fixture(scope="module")
def decoded(scene, tmp_path_factory):
    """Pictures and sound of a film of one scene."""
    path = tmp_path_factory.mktemp("film") / "a.webm"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(film, "scenes_of", lambda lesson, items: [scene])
        write_film(None, path)
    with av.open(str(path)) as container:
        assert {s.codec_context.name for s in container.streams} == {"vp9", "opus"}
        pictures = [f.to_ndarray(format="rgb24") for f in container.decode(video=0)]
    with av.open(str(path)) as container:
        frames = list(container.decode(audio=0))
    sound = np.concatenate([f.to_ndarray() for f in frames], axis=1)
    return pictures, sound.mean(axis=0), frames[0].time


@pytest.mark.slow
def test_as_long_as_it_says_with_sound_from_the_first_click_on(scene, decoded):
    pictures, sound, first_s = decoded
    assert len(pictures) == round(scene.length_s * FRAMES_PER_S)
    assert len(sound) / FILM_RATE_HZ == pytest.approx(scene.length_s, abs=0.03) and abs(first_s) < 0.01
    start = np.flatnonzero(np.abs(sound) > 0.1 * np.abs(sound).max())[0]
    assert start / FILM_RATE_HZ < 0.02
    # The accented click of the count-in is a tone of 1.8 kHz (workbench.sound.rendering).
    spectrum = np.abs(np.fft.rfft(sound[start : start + 2048]))
    assert np.argmax(spectrum) * FILM_RATE_HZ / 2048 == pytest.approx(1800, abs=60)


def test_a_film_says_what_is_not_sure_of_its_bars():
    """On the song's picture, in the lines over the staff; a sure song has none there."""
    chart = song(heard(MORE_KICK, k14=0.5), FILL_OF_TOMS)
    unsure, sure = (
        scenes_of(plan_lesson(read_part(chart)))[-1],
        scenes_of(plan_lesson(read_part(part(*[ROCK] * 4))))[-1],
    )
    assert unsure.doubts.startswith("Not sure: 1 of") and "(bar 3)" in unsure.doubts and sure.doubts == ""
    with_words, without = (paper_of(s, range(2))[0][80:112, WIDTH // 2 :] for s in (unsure, replace(unsure, doubts="")))
    assert (without == 255).all() and not (with_words == 255).all()


def lit_bar(picture, places):
    """The bar that is tinted, or None: much less blue than red all over."""
    for k, p in enumerate(places):
        inside = picture[p.top + 4 : p.top + p.height - 4, p.left + 4 : p.left + p.width - 4].astype(float)
        if np.median(inside[..., 2]) < 255 * (LIT[2] + 1) / 2:
            return k
    return None


def test_the_bar_that_is_lit_is_the_bar_that_sounds(scene, decoded):
    pictures, sound, _ = decoded
    places = paper_of(scene, range(2))[1]
    bar_s = 4 * 60 / 200
    for k in range(4):
        begin_s = scene.count_in_s + k * bar_s
        inside = pictures[round((begin_s + 0.08) * FRAMES_PER_S) : round((begin_s + bar_s - 0.08) * FRAMES_PER_S)]
        lit = {lit_bar(p, places) for p in inside}
        assert lit == {k % 2}
        x = sound[round(begin_s * FILM_RATE_HZ) :][: round(bar_s * FILM_RATE_HZ)]
        power = np.abs(np.fft.rfft(x)) ** 2
        low = power[: round(150 * bar_s)].sum() / power.sum()
        assert (low > 0.3) == (lit == {0}), low
    assert lit_bar(pictures[5], places) is None and lit_bar(pictures[-1], places) is None


def test_the_mark_stands_where_the_notes_are_written(scene):
    places = paper_of(scene, range(2))[1]
    columns = [places[1].x(p / 8) for p in range(8)]
    assert columns == sorted(columns) and np.ptp(np.diff(columns)) < 0.2 * np.mean(np.diff(columns))
    assert places[0].width * 0.1 < columns[0] < places[0].width * 0.35 and columns[-1] < places[0].width


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_bars_stand_whole_beside_each_other(count):
    """However tall or wide the engraver makes them: over the syllable that is said, none over another, none cut off."""
    tall = bar(C="x...x...x...x...", S="....X.......X...", K="x.x..x..x.x..x..", F="x.......x.......")
    chart = part(*[tall, LOW, bar(H="x" * 16, S="gggg" * 4), FILL][:count], tempo_bpm=200.0)
    paper, places = paper_of(Scene("A", "b", "c", chart, 1.2, bars=count), range(count))
    frames = np.zeros(paper.shape[:2], int)
    for p in places:
        frames[p.top : p.top + p.height, p.left : p.left + p.width] += 1
        edges = paper[p.top : p.top + p.height, [p.left, p.left + p.width - 1]]
        assert (edges == 255).all() and (paper[[p.top, p.top + p.height - 1], p.left : p.left + p.width] == 255).all()
    assert frames.max() == 1 and frames.sum() == sum(p.width * p.height for p in places)
    assert not frames[: film.MUSIC_TOP].any() and not frames[HEIGHT - 120 :].any()
    assert (paper[film.MUSIC_TOP :][frames[film.MUSIC_TOP :] == 0] == 255).all()


def test_a_lesson_is_filmed_item_by_item_at_each_of_its_tempi():
    lesson = plan_lesson(read_part(part(*[ROCK] * 7, FILL, *[ROCK] * 8)))
    scenes = scenes_of(lesson)
    titles = list(dict.fromkeys(s.title for s in scenes))
    assert titles == [f"{k}. {i.title}" for k, i in enumerate(lesson.items, 1) if i.title != "The form"]
    groove = [s.tempo for s in scenes if s.title.startswith("2.")]
    tempi = [t for t in lesson.tempi_bpm if t >= lesson.items[1].start_bpm]
    assert groove == [f"♩ = {t}" for t in tempi] and [s.title for s in scenes_of(lesson, [2])] == [titles[0]] * len(
        tempi
    )
    with pytest.raises(WorkbenchError, match="no item 9"):
        scenes_of(lesson, [9])


def test_without_the_library_it_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(WorkbenchError, match=r"\[film\]"):
        write_film(None, tmp_path / "a.webm")
    assert not list(tmp_path.iterdir())
