"""Words of lessons in other languages."""

import json
import re
from dataclasses import replace
from fractions import Fraction
from itertools import chain, combinations
from pathlib import Path

import pytest

from tests.parts import FILL, part
from tests.reference.test_groove_sample import performances
from tests.test_doubts import MORE_KICK, heard, song
from tests.test_lesson import SONG
from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart.counting import COUNT_SYSTEMS, TUPLETS, capital, place_list
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import WorkbenchError
from workbench.practice import exercises
from workbench.practice.drills import AFTER, BEFORE
from workbench.practice.easier import FILL_STEPS, GROOVE_STEPS, OTHER_TITLES
from workbench.practice.exercises import DISPUTE_LEARNING, LISTEN_FIRST_LEARNING, choose_exercises
from workbench.practice.lesson import FILL_WAYS, plan_lesson
from workbench.practice.lessonpage import write_lesson
from workbench.practice.words import LANGUAGES, words_of
from workbench.reading.fill_reading import DIFFICULTY
from workbench.reading.read import read_part
from workbench.training.groove_performances import performance_chart

PRACTICE = Path(exercises.__file__).parent
TABLES = [words_of(code) for code in LANGUAGES if code != "en"]


def said():
    """Every text that pages and plans say through a table."""
    found = {STRAIN, HEARING, COPYRIGHT, LISTEN_FIRST_LEARNING, DISPUTE_LEARNING, *DIFFICULTY[1:]}
    found |= {title for _, title, _ in (*GROOVE_STEPS, *FILL_STEPS, *BEFORE, *chain(*AFTER))}
    found |= {*OTHER_TITLES.values(), *FILL_WAYS.values()}
    page = (PRACTICE / "page" / "lesson.html").read_text("utf-8")
    found |= set(re.findall(r'say\("([^"]+)"\)', page)) | {"beats", "halves", "2 and 4", "every other bar"}
    found |= set(re.findall(r'say\("([^"]+)"\)', (PRACTICE / "page" / "lesson.js").read_text("utf-8")))
    found |= set(re.findall(r'\bwords\(\s*"([^"]+)"', (PRACTICE / "lesson.py").read_text("utf-8")))
    own = (PRACTICE / "exercises.py").read_text("utf-8")
    found |= set(re.findall(r'Stage\("\w+", "([^"]+)"', own))
    found |= set(re.findall(r'\bwords\(\s*"([^"]+)"', own))
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


#: Words that English sentences of a lesson can hardly do without, and the other languages do not have.
ENGLISH_WORDS = re.compile(
    r"\b(last|note|beat|after|the|on|of|and|with|from|instead|each|every|first|hands|none|throughout|it|is|are|to|"
    r"in groups|kick|bars?)\b"
)


def statements(chart):
    """What exercises may say of the music."""
    reading = read_part(chart)
    found = {g.said for g in reading.grooves} | {v.text for v in reading.variations}
    found |= {w for f in reading.fills for w in f.words}
    taught = {text for e in choose_exercises(reading) for text in e.listen_for}
    return taught | {capital(text) + "." for text in found if text}


@pytest.mark.parametrize("words", TABLES, ids=lambda w: w.language)
def test_every_statement_about_the_music_is_said_in_the_language(words):
    """Human performances of Groove MIDI (CC BY 4.0), full of what nobody foresaw, and a part in two grooves."""
    said = set().union(*(statements(chart) for chart in (part(*SONG), *map(performance_chart, performances()))))
    assert len(said) > 200
    left = {t for t in said if t == words.music(t) and re.search("[a-z]{3}", t)}
    english = {t for t in said - left if ENGLISH_WORDS.search(words.music(t))}
    assert not left and not english
    assert words.music("Our own way in, as on the record.") == "Our own way in, as on the record."


@pytest.mark.parametrize("words", TABLES, ids=lambda w: w.language)
def test_every_place_of_a_bar_is_said_in_the_language(words):
    """Every part of a beat by itself and every two together, in meters that count quarters, eighths and halves."""
    for meter in (Meter(4, 4), Meter(6, 8), Meter(2, 2)):
        bar = TimeMap.steady(1, 100, meter).bars[0]
        for of in (*TUPLETS, 4, 8):
            parts = [Fraction(k, of * meter.unit) for k in range(1, of)]
            for places in (*combinations(parts, 1), *combinations(parts, 2)):
                text = f"Snare on {place_list(bar, places)}."
                assert not ENGLISH_WORDS.search(words.music(text)) and words.music(text) != text, text
    shuffle = "Kick on the last triplet of every beat."
    assert words.music(shuffle) != shuffle and not ENGLISH_WORDS.search(words.music(shuffle))


def test_clauses_of_all_tables_are_the_same_and_keep_what_stands_in_them():
    assert len({frozenset(w.clauses) for w in TABLES}) == 1
    for words in TABLES:
        for text, own in words.clauses.items():
            assert set(re.findall(r"{(\w+)}", own)) <= set(re.findall(r"{(\w+)}", text)), text
    assert words_of("de").music("Snare on the e and a of 3; no ride.") == "Snare auf 3e und 3a; ohne Ride."
    assert words_of("es").music("Listen first: kick on the & of 2.") == "Escúchalo antes: bombo en 2 y."


@pytest.mark.parametrize("code", LANGUAGES[1:])
def test_the_page_of_another_language_has_no_english_sentence(code, tmp_path):
    words = words_of(code)
    lesson = plan_lesson(read_part(song(heard(MORE_KICK, k14=0.7), FILL)), words=words)
    assert lesson.notes and any(i.exercise and i.exercise.listen_for for i in lesson.items)
    text = write_lesson(lesson, tmp_path / "a.html").read_text("utf-8")
    data = json.loads(re.search(r'id="lesson">(.*?)</script>', text, re.DOTALL)[1])
    seen = re.sub(r"<(script|style|svg).*?</\1>", " ", text, flags=re.DOTALL)
    labels = " ".join(re.findall(r'aria-label="([^"]+)"', seen))
    buttons = [s["title"] for i in data["items"] for s in i["steps"]] + [*data["words"].values()]
    buttons += [i["ownSaid"] for i in data["items"]]
    buttons += [caption for i in data["items"] for s in i["steps"] for caption in s["captions"]]
    shown = " ".join([re.sub(r"<[^>]+>", " ", seen), labels, *buttons])
    assert not {m[0] for m in ENGLISH_WORDS.finditer(shown.replace(HEARING_SOURCE, ""))}


def test_spanish_has_one_word_for_a_cymbal():
    folder = Path(exercises.__file__).parent / "languages"
    text = (folder / "es.json").read_text("utf-8")
    assert "plato" in text and "platillo" not in text


@pytest.mark.slow
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


@pytest.mark.slow
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
