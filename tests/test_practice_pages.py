"""What students read: the page and the booklet of a practice pack."""

import re
import subprocess
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
from lxml import etree

from tests import test_doubts, test_pack
from tests.parts import CRASHED, FILL, RIDE, ROCK, bar, part
from tests.test_pack import page_data
from workbench.chart import Chart, Mark, Note, WrittenBar
from workbench.chart.counting import SILENT_COUNT
from workbench.chart.meter import TimeMap
from workbench.practice import pages
from workbench.practice.exercises import DISPUTE_LEARNING, choose_exercises, section_exercise
from workbench.practice.pack import PackOptions, make_practice_pack
from workbench.practice.pages import HANDS_MISSING, HANDS_SHOWN, HANDS_TOGETHER, drawn_steps, engrave_bars, how_to_read
from workbench.practice.stagecharts import stage_chart, with_sticking
from workbench.practice.stages import Exercise, Stage
from workbench.reading.read import read_part

song = test_pack.song

pytestmark = pytest.mark.slow


QUICK = PackOptions(track_repeats=0, click="none", format="mp3")


@pytest.fixture
def booklets(monkeypatch):
    """What the booklets written in a test say, as plain data."""
    said, make = [], pages.booklet_data
    monkeypatch.setattr(pages, "booklet_data", lambda *a: said.append(make(*a)) or said[-1])
    return said


def page_count(pdf):
    return int(re.search(rb"/Type\s*/Pages\s*/Count (\d+)", pdf.read_bytes()).group(1))


def test_hands_together_stand_as_their_notes_do():
    """The upper letter is for the upper note, whichever hand has it."""
    for snare in "RL":
        hat = "L" if snare == "R" else "R"
        notes = (Note(F(0), "closed hi-hat", sticking=hat), Note(F(0), "snare", sticking=snare))
        svg = engrave_bars(Chart(TimeMap.steady(1, 100.0), (WrittenBar(notes),)))
        letters = [
            (float(t.get("y")), said)
            for t in etree.fromstring(svg).iter("{*}text")
            if (said := "".join(t.itertext()).strip()) in ("R", "L")
        ]
        assert [said for _, said in sorted(letters)] == [hat, snare] and len({y for y, _ in letters}) == 2


def test_the_pages_warn_of_what_two_hands_cannot_play_and_say_how_to_read(tmp_path, booklets):
    three = bar(C="x.......", R="x.x.x.x.", S="x.x...x.", K="x...x...")
    chart = part(three, three, title="Enamel Kettle")
    e = section_exercise(chart, 0, 1, tempi=(1.0,))
    pack = make_practice_pack(chart, tmp_path / "pack", exercises=(e,), options=QUICK)
    told = "three things for two hands on 1 (crash, ride, snare): leave one out, or check the chart."
    (data,) = page_data(pack)["exercises"]
    assert data["warnings"] == [f"Bars 1–2: {told}"]
    assert data["read"] == [HANDS_SHOWN, HANDS_TOGETHER, HANDS_MISSING]
    sheet = booklets[0]
    assert list(sheet["exercises"][0]["warnings"]) == data["warnings"] and sheet["read"] == data["read"]
    easy = part(bar(H="xxxx"), bar(S="..x.x"))
    assert how_to_read(easy, section_exercise(easy, 0, 0), (with_sticking(read_part(easy)),))[0] == HANDS_SHOWN


def test_page_and_booklet_say_what_is_not_sure_where_the_bars_stand(tmp_path, booklets):
    chart = test_doubts.song(test_doubts.heard(test_doubts.MORE_KICK, k14=0.5), FILL)
    reading = replace(read_part(chart), dispute="The bars are in dispute: by the recording …")
    sure, doubtful = (section_exercise(chart, k, k + 1, tempi=(1.0,)) for k in (0, 2))
    pack = make_practice_pack(chart, tmp_path / "pack", exercises=(sure, doubtful), reading=reading, options=QUICK)
    data, sheet = page_data(pack), booklets[0]
    assert data["dispute"] == sheet["dispute"] == DISPUTE_LEARNING
    said = [{s["name"]: s["doubts"] for s in e["stages"]} for e in data["exercises"]]
    assert not any(said[0].values()) and not said[1]["hands"]
    assert said[1]["all"].startswith("Not sure: 1 of") and "(bar 3)" in said[1]["feet"]
    drawn = [[doubts for _, _, doubts in e["drawn"]] for e in sheet["exercises"]]
    assert not any(drawn[0]) and said[1]["all"] in drawn[1]


def test_numbers_in_brackets_are_explained_where_they_occur():
    chart = part(bar(S="..x...x.", K="x......."))
    assert SILENT_COUNT not in how_to_read(chart, section_exercise(chart, 0, 0), ())
    swung = replace(chart, feel="swing 8ths")
    assert any("swung" in told for told in how_to_read(swung, section_exercise(swung, 0, 0), ()))
    late = part(bar(S=".....x.x"))
    assert section_exercise(late, 0, 0).count == "(3) & (4) &"
    assert how_to_read(late, section_exercise(late, 0, 0), ()) == (SILENT_COUNT,)
    feet = part(bar(H="xxxx", K="x..x...."))
    alone = next(s for s in section_exercise(feet, 0, 0).stages if s.name == "feet")
    assert SILENT_COUNT in how_to_read(feet, section_exercise(feet, 0, 0), (stage_chart(feet, alone, 100.0),))


@pytest.mark.common_practice
def test_feet_alone_are_counted_through_the_beats_that_the_hands_keep():
    """Kick on 1 and the & of 2: without the 2 in brackets the & belongs to no beat."""
    chart = part(bar(H="xxxx", K="x..x...."))
    feet = next(s for s in section_exercise(chart, 0, 0).stages if s.name == "feet")
    svg = engrave_bars(stage_chart(chart, feet, 100.0))
    said = ["".join(t.itertext()).strip() for t in etree.fromstring(svg).iter("{*}text")]
    assert [text for text in said if text[:1] in "1(&"] == ["1", "(2) &"]


def test_one_exercise_is_one_sheet_and_short_ones_share_a_page(tmp_path, booklets):
    chart = part(ROCK, ROCK, FILL, ROCK, title="Enamel Kettle")
    first, second = (section_exercise(chart, k, k, tempi=(0.5, 1.0)) for k in (0, 2))
    one = make_practice_pack(chart, tmp_path / "one", exercises=(first,), options=QUICK)
    said = booklets[0]
    (told,) = said["exercises"]
    href = told["stages"][0]["takes"][0]["files"][0][1]
    assert said["title"] == "Enamel Kettle" and href.endswith(".mp3")
    tempi = [take["tempo_bpm"] for take in told["stages"][0]["takes"]]
    assert (told["tempi"], told["beat"], tempi) == ("♩ = 55, 110", "♩ = ", [55, 110])
    assert page_count(one.booklet) == 1
    two = make_practice_pack(chart, tmp_path / "two", exercises=(first, second), options=QUICK)
    assert page_count(two.booklet) == 2


def inked(pdf):
    """How far down the print of each page goes, as a share of what is above its number."""
    gray = subprocess.run(["pdftoppm", "-r", "20", "-gray", pdf], capture_output=True, check=True).stdout
    shares = []
    for page in re.finditer(rb"P5\n(\d+) (\d+)\n255\n", gray):
        width, height = int(page[1]), int(page[2])
        rows = np.frombuffer(gray[page.end() : page.end() + width * height], np.uint8).reshape(height, width)
        text = rows[: round(height * 0.92)]
        shares.append(np.flatnonzero((text < 200).any(axis=1))[-1] / len(text))
    return shares


def test_the_booklet_has_no_dead_space_and_nothing_that_paper_cannot_follow(tmp_path):
    reading = read_part(part(*[ROCK] * 3, CRASHED, *[ROCK] * 3, FILL, *[RIDE] * 7, FILL, *[ROCK] * 4))
    exercises = choose_exercises(reading, tempi=(1.0,))
    pack = make_practice_pack(reading.chart, tmp_path / "pack", exercises=exercises, reading=reading, options=QUICK)
    shares = inked(pack.booklet)
    assert len(shares) == page_count(pack.booklet) > 2
    assert min(shares[:-1]) > 0.7
    assert b"/URI" not in pack.booklet.read_bytes()


def test_every_step_of_a_fill_has_its_bars_in_the_booklet(song):
    chart, _ = song
    span = Mark("fill", (1, F(0)), (2, F(0)))
    stages = (
        Stage("alone", "the fill alone", (1,), only=span),
        Stage("setup", "with the bar before it", (0, 1)),
        Stage("landing", "into the next bar", (1, 2)),
        Stage("song", "in the song", (0, 1, 2), loop=False),
    )
    fill = Exercise("x", "X", "fill", "bar 2", 1, stages, (120.0,))
    drawn = {s.name: f"<svg>{s.name}</svg>" for s in stages}
    assert drawn_steps(fill, drawn) == [
        ("the fill alone", drawn["alone"]),
        ("with the bar before it; into the next bar; in the song", drawn["song"]),
    ]


def test_the_fill_is_bracketed_among_other_bars(tmp_path):
    reading = read_part(part(*[CRASHED, *[ROCK] * 6, FILL] * 2))
    pack = make_practice_pack(
        reading.chart,
        tmp_path / "pack",
        reading=reading,
        options=QUICK,
        exercises=choose_exercises(reading, ("fill",), tempi=(1.0,)),
    )
    marked = {s["name"]: "bracketSpan" in s["svg"] for s in page_data(pack)["exercises"][0]["stages"]}
    assert marked == {"alone": False, "setup": True, "landing": True, "song": True}
