"""Lessons: their order, their tempi, and the one page."""

import json
import re
from dataclasses import replace

import pytest

from tests.parts import CRASHED, FILL, RIDE, ROCK, bar, part
from workbench.errors import ChartError
from workbench.practice.lesson import METRONOME_MARKS, metronome_mark, plan_lesson, write_lesson
from workbench.reading.read import read_part

MORE_KICK = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x...x.")
SONG = [
    CRASHED,
    ROCK,
    MORE_KICK,
    ROCK,
    ROCK,
    ROCK,
    MORE_KICK,
    FILL,
    *[RIDE] * 4,
    CRASHED,
    ROCK,
    ROCK,
    FILL,
    *[ROCK] * 4,
]


@pytest.fixture(scope="module")
def lesson():
    return plan_lesson(read_part(part(*SONG, title="Copper Weather")))


@pytest.mark.common_practice
def test_first_the_form_then_the_groove_of_most_bars_and_last_the_song(lesson):
    kinds = [i.exercise.kind if i.exercise else i.title for i in lesson.items]
    assert kinds[0] == "The form" and kinds[-1] == "The song" and kinds[1] == "groove"
    assert kinds.index("fill") > kinds.index("variation") > 1 and kinds.index("fill") < kinds.index("groove", 2)
    assert "bars are this groove" in lesson.items[1].why and lesson.minutes == sum(i.minutes for i in lesson.items)


def test_all_count_in_the_same_metronome_marks(lesson):
    assert set(lesson.tempi_bpm) <= set(METRONOME_MARKS) and list(lesson.tempi_bpm) == sorted(lesson.tempi_bpm)
    assert abs(lesson.tempi_bpm[-1] - 110) <= 2 and metronome_mark(110.4) == 112
    for item in lesson.items:
        assert {item.start_bpm, item.goal_bpm} <= set(lesson.tempi_bpm) and item.start_bpm <= item.goal_bpm


def test_the_page_is_one_file_and_asks_for_nothing(lesson, tmp_path):
    page = write_lesson(replace(lesson, student="Ana <b>"), tmp_path / "a.html")
    text = page.read_text("utf-8")
    assert page.stat().st_size < 15e6 and [p.name for p in tmp_path.iterdir()] == ["a.html"]
    assert "Ana &lt;b&gt;" in text and not re.search(r'(?:src|href)="(?!#|data:)', text)
    data = json.loads(re.search(r'<script type="application/json" id="lesson">(.*?)</script>', text, re.DOTALL)[1])
    assert len(data["items"]) == len(lesson.items) and data["tempi"] == list(lesson.tempi_bpm)
    # Every step's bars are engraved and can be played; the first step of the groove is the easiest.
    used = {k for i in data["items"] for s in i["steps"] for k in s["bars"]}
    assert used == set(range(len(data["bars"]))) and text.count("<svg") >= len(used)
    assert {n[1] for b in data["bars"] for n in b["notes"]} == set(data["kit"])
    groove = data["items"][1]["steps"]
    strokes = [
        sum(len(data["bars"][k]["notes"]) for k in s["bars"]) / len(s["bars"])
        for s in groove
        if "alone" not in s["title"]
    ]
    assert strokes == sorted(strokes) and len(strokes) >= 2
    assert len(data["items"][-1]["steps"][0]["bars"]) == len(SONG)


def test_a_part_without_anything_sure_has_no_lesson():
    with pytest.raises(ChartError, match="nothing to learn"):
        plan_lesson(read_part(part(bar())))
