"""A student's diary of takes: nothing lost, made anew of plain files."""

import csv
import json
from dataclasses import replace
from datetime import date

import pytest

from tests.takes import LONG, assess
from workbench.checking.diary import DIARY_COLUMNS, keep_take, read_diary
from workbench.errors import FileFormatError


@pytest.fixture(scope="module")
def take():
    return replace(assess(LONG[:12]), recording="some/where/monday.wav")


def test_a_take_is_kept_with_its_date_and_the_page_and_table_tell_of_it(take, tmp_path):
    diary = keep_take(take, tmp_path / "ana", date(2026, 11, 3))
    assert sorted(p.relative_to(tmp_path / "ana").as_posix() for p in (tmp_path / "ana").rglob("*.*")) == [
        "progress.html",
        "takes.csv",
        "takes/2026-11-03 monday.take.json",
    ]
    (kept,) = diary.takes
    assert (kept.date, kept.recording, kept.played) == (date(2026, 11, 3), "monday.wav", take.playing.played)
    with open(tmp_path / "ana" / "takes.csv") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == DIARY_COLUMNS and rows[0]["what"] == "all"
    by_drum = {r["what"]: r for r in rows}
    for i in take.playing.instruments:
        assert (int(by_drum[i.instrument]["written"]), int(by_drum[i.instrument]["played"])) == (i.written, i.played)
    assert "3 November 2026" in diary.page.read_text()


def test_a_notebook_shows_the_diary_without_a_page_of_its_own(take, tmp_path):
    named = replace(take, playing=replace(take.playing, chart=replace(take.playing.chart, title="<b>Low Tide")))
    shown = keep_take(named, tmp_path)._repr_html_()
    assert "<svg" in shown and "&lt;b&gt;Low Tide" in shown and "<style" not in shown.replace("<style type", "")


@pytest.mark.slow
def test_nothing_kept_is_overwritten(take, tmp_path):
    day = date(2026, 11, 3)
    other = replace(take, warnings=("another",))
    assert len(keep_take(take, tmp_path, day).takes) == 1
    assert len(keep_take(take, tmp_path, day).takes) == 1, "the same take is kept once"
    assert len(keep_take(other, tmp_path, day).takes) == 2
    assert {json.loads(p.read_text())["warnings"] == ["another"] for p in (tmp_path / "takes").iterdir()} == {
        True,
        False,
    }


@pytest.mark.slow
def test_takes_are_in_order_of_date_and_compared_by_song_and_bars(take, tmp_path):
    for day, name in ((9, "c"), (2, "a"), (5, "b")):
        keep_take(replace(take, recording=name), tmp_path, date(2026, 11, day))
    loop = replace(take, playing=replace(take.playing, only_bars=(4, 7)))
    diary = keep_take(loop, tmp_path, date(2026, 11, 1))
    assert [t.date.day for t in diary.takes] == [1, 2, 5, 9]
    assert {bars: len(found) for (_, bars), found in diary.songs.items()} == {"": 3, "bars 5–8": 1}


def test_what_is_no_take_is_named_and_the_rest_read(take, tmp_path):
    keep_take(take, tmp_path)
    for name, text in (("bad.json", "{"), ("list.json", "[]"), ("old.json", '{"date": "yesterday"}')):
        (tmp_path / "takes" / name).write_text(text)
    diary = read_diary(tmp_path)
    assert len(diary.takes) == 1 and set(diary.unread) == {"bad.json", "list.json", "old.json"}
    with pytest.raises(FileFormatError, match="no diary"):
        read_diary(tmp_path / "takes")
