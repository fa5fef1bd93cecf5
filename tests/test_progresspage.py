"""The page of a student's diary: what has grown is said first, and kindly."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from lxml import html

from tests.sentences import says
from workbench.checking.diary import Diary, DrumFigures, KeptTake
from workbench.checking.progresspage import day, draw_progress, progress_page, progress_words

SNARE = DrumFigures(100, 90, 10, 0, 18.0, 22.0)
KICK = DrumFigures(100, 95, 5, 0, -2.0, 15.0)
FIRST = KeptTake(
    date(2026, 11, 3), "Copper Weather", "", "a.wav", 84.0, 112.0, {"kick": KICK, "snare": SNARE}, (0.06, 0.04)
)


def later(day_of_month=26, **changed):
    return replace(FIRST, date=date(2026, 11, day_of_month), **changed)


@pytest.mark.parametrize(
    "changed, said",
    [
        (dict(tempo_bpm=104.0), ("You play at 104", "84", "112")),
        (dict(drums={"kick": KICK, "snare": replace(SNARE, spread_ms=15.0)}), ("snare", "steadier", "15 ms", "22")),
        (dict(drums={"kick": KICK, "snare": replace(SNARE, mean_ms=5.0)}), ("snare", "5 ms late", "18 ms late")),
        (dict(drums={"kick": KICK, "snare": replace(SNARE, played=100)}), ("98 %", "92 %")),
        (dict(fills=(0.01, -0.01)), ("fills keep the tempo better", "1 %", "5 %")),
    ],
)
def test_every_step_forward_is_told(changed, said):
    grown, slipped = progress_words([FIRST, later(**changed)])
    assert len(grown) == 1 and says(grown[0], *said) and not slipped


def test_of_what_has_slipped_one_thing_is_told_and_why():
    worse = {"kick": replace(KICK, spread_ms=24.0), "snare": replace(SNARE, spread_ms=30.0)}
    grown, slipped = progress_words([FIRST, later(drums=worse)])
    assert not grown and len(slipped) == 1 and says(slipped[0], "kick", "looser") and "faster" not in slipped[0]
    grown, slipped = progress_words([FIRST, later(drums=worse, tempo_bpm=100.0)])
    assert len(grown) == 1 and "usual" in slipped[0]


def test_small_changes_are_none():
    near = {"kick": replace(KICK, spread_ms=15.9), "snare": replace(SNARE, mean_ms=16.0)}
    assert progress_words([FIRST, later(drums=near, tempo_bpm=84.5)]) == ([], [])


def test_the_page_has_each_song_with_its_takes_the_latest_first():
    takes = (
        FIRST,
        later(10, tempo_bpm=96.0),
        later(26, tempo_bpm=104.0),
        later(20, song="Low <Tide>", bars="bars 5–8"),
    )
    page = html.fromstring(progress_page(Diary(Path("ana"), takes, ("bad.json",))).html())
    assert [h.text for h in page.findall(".//h2")] == ["Copper Weather", "Low <Tide> – bars 5–8"]
    table = page.findall(".//table")[0]
    assert [r.findtext("td") for r in table.findall(".//tr")[1:]] == [
        day(t.date) for t in (takes[2], takes[1], takes[0])
    ]
    assert len(page.findall(".//svg")) == 1, "one take has no course"
    text = page.text_content()
    assert "bad.json" in text and "3 takes from 3 November 2026 to 26 November 2026" in text and "first take" in text


def test_the_picture_draws_each_take():
    takes = [FIRST, later(10, fills=()), later(26, drums={"kick": KICK})]
    tempo, played, _, fills = draw_progress(takes).axes
    assert list(tempo.get_lines()[0].get_ydata()) == [84.0] * 3
    assert {line.get_label() for line in played.get_lines()} == {"kick", "snare"}
    assert list(fills.get_lines()[0].get_ydata())[0] == pytest.approx(5.0)
