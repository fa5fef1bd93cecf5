"""The one page of a lesson."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from tests.parts import FILL, ROCK, part
from tests.test_doubts import MORE_KICK, heard, song
from tests.test_lesson import SONG
from workbench.chart import Section
from workbench.files.audio import Audio, save_audio
from workbench.practice.exercises import DISPUTE_LEARNING
from workbench.practice.lesson import plan_lesson
from workbench.practice.lessonpage import write_lesson
from workbench.practice.stages import Stage
from workbench.practice.words import words_of
from workbench.reading.read import read_part
from workbench.sound.loudness import TARGET_LUFS
from workbench.sound.separation import Separation


@pytest.fixture(scope="module")
def lesson():
    return plan_lesson(read_part(part(*SONG, title="Copper Weather")))


def data_of(text):
    return json.loads(re.search(r'<script type="application/json" id="lesson">(.*?)</script>', text, re.DOTALL)[1])


@pytest.mark.slow
def test_the_page_is_one_file_and_asks_for_nothing(lesson, tmp_path):
    page = write_lesson(replace(lesson, student="Ana <b>"), tmp_path / "a.html")
    text = page.read_text("utf-8")
    assert page.stat().st_size < 15e6 and [p.name for p in tmp_path.iterdir()] == ["a.html"]
    assert "Ana &lt;b&gt;" in text and not re.search(r'(?:src|href)="(?!#|data:)', text)
    data = data_of(text)
    assert len(data["items"]) == len(lesson.items) and data["tempi"] == list(lesson.tempi_bpm)
    # Every step's bars are engraved and can be played; the first step of the groove is the easiest.
    used = {k for i in data["items"] for s in i["steps"] for k in s["bars"]}
    assert used == set(range(len(data["bars"])))
    drawn = {d for b in data["bars"] for d in b["drawn"]}
    assert drawn == set(range(len(re.findall(r"<div><svg", text))))
    assert {n[1] for b in data["bars"] for n in b["notes"]} == set(data["kit"])
    groove = data["items"][1]["steps"]
    strokes = [
        sum(len(data["bars"][k]["notes"]) for k in s["bars"]) / len(s["bars"])
        for s in groove
        if "alone" not in s["title"]
    ]
    assert strokes == sorted(strokes) and len(strokes) >= 2
    assert len(data["items"][-1]["steps"][0]["bars"]) == len(SONG)


def test_what_is_not_sure_is_said_where_the_bars_stand(tmp_path):
    """A lesson of a doubtful draft says so to the student, too: counted at each step, in words of a student."""
    chart = song(heard(MORE_KICK, k14=0.5), FILL)
    lesson = replace(plan_lesson(read_part(chart)), dispute="The bars are in dispute: by the recording …")
    text = write_lesson(lesson, tmp_path / "lesson.html").read_text("utf-8")
    assert DISPUTE_LEARNING in text and lesson.dispute not in text
    items = data_of(text)["items"]
    (whole,) = items[-1]["steps"]
    assert whole["doubts"].startswith("Not sure: 1 of ") and "(bar 3)" in whole["doubts"]
    for item in items:
        for step in item["steps"]:
            assert bool(step["doubts"]) == (2 in step["song"]), step
    settled = write_lesson(replace(lesson, dispute=""), tmp_path / "settled.html").read_text("utf-8")
    assert DISPUTE_LEARNING not in settled


def test_a_swung_lesson_says_so_at_its_staves(tmp_path):
    for feel, words in (("straight", 0), ("swing 8ths", 1)):
        lesson = plan_lesson(read_part(part(*[ROCK] * 8, feel=feel))).of([2])
        text = write_lesson(lesson, tmp_path / "lesson.html").read_text("utf-8")
        assert text.count("Swing 8ths") == words


def test_open_handed_bars_are_drawn_apart(lesson, tmp_path):
    text = write_lesson(lesson, tmp_path / "a.html").read_text("utf-8")
    rock = next(b for b in data_of(text)["bars"] if {n[1] for n in b["notes"]} == {"closed hi-hat", "snare", "kick"})
    usual, open_handed = (re.findall(r"<div><svg.*?</svg></div>", text, re.DOTALL)[d] for d in rock["drawn"])
    # Open-handed the hi-hat is the left hand's (common practice).
    letters = [re.findall(r">([RL])</tspan>", svg) for svg in (usual, open_handed)]
    assert letters[0].count("R") > letters[0].count("L") and letters[1].count("L") > letters[1].count("R")


@pytest.mark.parametrize(("language", "bar"), [("en", "bar"), ("de", "Takt")])
def test_bars_that_do_not_follow_each_other_are_chosen_by_their_places(language, bar, tmp_path):
    """A step of bars 17, 3 and 4 is not "bars 17 to 4"; the whole song and a fill in its bars go by their numbers."""
    chart = part(*[ROCK] * 3, FILL, *[ROCK] * 4, title="Copper Weather")
    chart = replace(chart, sections=(Section(0, "Verse", "A"),))
    plan = plan_lesson(read_part(chart), words=words_of(language))
    item = next(i for i in plan.items if i.exercise is not None)
    stages = [Stage("all", "all together", bars) for bars in ((6, 2, 3), (2, 2), (2, 3), (0,))]
    plan = replace(plan, items=(replace(item, exercise=replace(item.exercise, stages=tuple(stages))), plan.items[-1]))
    own, song = data_of(write_lesson(plan, tmp_path / "a.html").read_text("utf-8"))["items"]
    places = [f"1 ({bar} 7)", f"2 ({bar} 3)", f"3 ({bar} 4)"]
    twice = [f"1 ({bar} 3)", f"2 ({bar} 3)"]
    assert [s["captions"] for s in own["steps"]] == [places, twice, ["3", "4"], ["1 · A Verse"]]
    assert song["steps"][0]["captions"] == ["1 · A Verse", *map(str, range(2, 9))]


@pytest.mark.slow
def test_the_recording_is_kept_once_with_the_beats_of_every_bar(tmp_path, monkeypatch):
    monkeypatch.setattr(Separation, "drums", lambda own, first, last: own.cut(first, last) / np.float32(2))
    chart = part(*[ROCK] * 3, FILL, *[ROCK] * 4, title="Copper Weather", tempo_bpm=120.0)
    sound = np.random.default_rng(1).uniform(-0.3, 0.3, (round(16.5 * 44100), 2)).astype(np.float32)
    save_audio(tmp_path / "song.wav", Audio(sound, 44100))
    plan = plan_lesson(read_part(chart), tmp_path / "song.wav")
    text = write_lesson(plan, tmp_path / "a.html").read_text("utf-8")
    data = data_of(text)
    assert len(data["record"]["bars"]) == len(chart)
    assert len(re.findall(r'id="drums-\d', text)) == len(re.findall(r'id="rest-\d', text)) == 2
    for step in (s for i in data["items"] for s in i["steps"]):
        assert len(step["song"]) == len(step["bars"]) == len(step["captions"])
    assert TARGET_LUFS < 0 and data["record"]["gain"] > 0 and data["kitGain"] > 0
    assert "drums-0" not in write_lesson(replace(plan, recording=None), tmp_path / "b.html").read_text("utf-8")
