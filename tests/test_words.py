"""Words of lessons in other languages."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.parts import part
from tests.test_lesson import SONG
from workbench.cautions import COPYRIGHT, HEARING, STRAIN
from workbench.chart.counting import COUNT_SYSTEMS
from workbench.errors import WorkbenchError
from workbench.practice import exercises
from workbench.practice.drills import AFTER, BEFORE
from workbench.practice.easier import FILL_STEPS, GROOVE_STEPS
from workbench.practice.lesson import plan_lesson
from workbench.practice.lessonpage import write_lesson
from workbench.practice.words import LANGUAGES, words_of
from workbench.reading.fill_reading import DIFFICULTY
from workbench.reading.read import read_part

PRACTICE = Path(exercises.__file__).parent
TABLES = [words_of(code) for code in LANGUAGES if code != "en"]


def said():
    """Every text that pages and plans say through a table."""
    found = {STRAIN, HEARING, COPYRIGHT, *DIFFICULTY[1:], "{bpm} as recorded"}
    found |= {title for _, title, _ in (*GROOVE_STEPS, *FILL_STEPS, *BEFORE, *AFTER)}
    page = (PRACTICE / "page" / "lesson.html").read_text("utf-8")
    found |= set(re.findall(r'say\("([^"]+)"\)', page)) | {"beats", "halves", "2 and 4", "every other bar"}
    found |= set(re.findall(r'say\("([^"]+)"\)', (PRACTICE / "page" / "lesson.js").read_text("utf-8")))
    found |= set(re.findall(r'\bwords\(\s*"([^"]+)"', (PRACTICE / "lesson.py").read_text("utf-8")))
    found |= set(re.findall(r'Stage\("\w+", "([^"]+)"', (PRACTICE / "exercises.py").read_text("utf-8")))
    return found | set(re.findall(r'Stage\("\w+", "([^"]+)"', (PRACTICE / "stages.py").read_text("utf-8")))


@pytest.mark.parametrize("words", TABLES, ids=lambda w: w.language)
def test_every_text_is_in_every_table_and_none_is_left_over(words):
    assert set(words.texts) == said() - {"as played"}
    assert all(words.texts.values()) and words.counts in COUNT_SYSTEMS and words.note
    for text, own in words.texts.items():
        assert sorted(re.findall(r"{\w+}", own)) == sorted(re.findall(r"{\w+}", text))


def test_tables_have_the_same_words_of_titles():
    assert len({frozenset(w.parts) for w in TABLES}) == 1
    assert words_of("de").title("C Bar: variation, bars 2, 6") == "C Bar: Variation, Takte 2, 6"


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_lesson_in_every_language(code, tmp_path):
    words = words_of(code)
    lesson = plan_lesson(read_part(part(*SONG, title="Copper Weather")), words=words)
    text = write_lesson(lesson, tmp_path / "a.html").read_text("utf-8")
    assert f'<html lang="{code}">' in text and words("The song") in text
    data = json.loads(re.search(r'id="lesson">(.*?)</script>', text, re.DOTALL)[1])
    titles = {s["title"] for i in data["items"] for s in i["steps"]}
    assert words("all together") in titles
    if code != "en":
        english = plan_lesson(read_part(part(*SONG)))
        assert not {i.why for i in lesson.items} & {i.why for i in english.items} and words.note in text
        assert not titles & {"all together", "hands alone", "the fill alone", "every stroke doubled"}


@pytest.mark.from_memory
def test_counts_are_written_as_asked(tmp_path):
    lesson = plan_lesson(read_part(part(*SONG)))
    for system, own, other in (("1 e + a", "+", "te"), ("1 ta te ta", "te", "+")):
        counted = replace(lesson, words=words_of("en", system))
        text = write_lesson(counted, tmp_path / "a.html").read_text("utf-8")
        assert f">{own}</tspan>" in text and f">{other}</tspan>" not in text and ">&amp;</tspan>" not in text
    with pytest.raises(WorkbenchError, match="counted"):
        words_of("en", "1 x")
    with pytest.raises(WorkbenchError, match="written in"):
        words_of("fr")
