"""The catalogue: tables, files, the page's data.  The page in a browser: tests/browser/test_catalogue_page.py."""

import json
import re

import pandas
import pytest

from tests.parts import FILL, RIDE, ROCK
from tests.shelves import chart_of
from workbench.reading.read import read_part
from workbench.shelving import catalogue
from workbench.shelving.catalogue import SONG_COLUMNS, catalogue_page, catalogue_rows, song_table, write_catalogue
from workbench.shelving.entry import shelf_entry
from workbench.shelving.memory import SongMemory
from workbench.shelving.searching import read_question
from workbench.shelving.songs import ShelfSong


@pytest.fixture
def rows(tmp_path):
    (tmp_path / "set").mkdir()
    for name in ("set/kettle.chart.json", "set/kettle.pdf", "roof.flac"):
        (tmp_path / name).touch()
    songs = [ShelfSong("roof", tmp_path, tmp_path / "roof.flac"), ShelfSong("set/kettle", tmp_path / "set", None)]
    chart = chart_of(*(ROCK,) * 7, FILL, *(RIDE,) * 8, title='Kettle <!-- <script> </script> & "Co"', artist="Käse")
    memories = {"set/kettle": SongMemory(entry=shelf_entry(read_part(chart)))}
    return catalogue_rows(songs, memories, tmp_path)


def test_a_row_says_what_there_is_of_a_song(rows):
    roof, kettle = rows
    assert (roof["song"], roof["state"], roof["recording"], roof["chart"], roof["bars"]) == (
        "roof", "not drafted", "roof.flac", "", None
    )  # fmt: skip
    assert (kettle["chart"], kettle["score"], kettle["pack"]) == ("set/kettle.chart.json", "set/kettle.pdf", "")
    assert kettle["form"] == "A – B" and kettle["grooves"] == "rock eighths" and kettle["fills"] == 1
    assert (
        "backbeat on 2 and 4" in kettle["text"]
        and "ride" in kettle["text"].split("\n")
        and kettle["text"] == kettle["text"].lower()
    )


def test_a_fill_that_a_reading_names_counts_and_what_a_groove_lacks_finds_no_song(tmp_path):
    chart = chart_of(*(ROCK,) * 7, FILL, *(ROCK,) * 7, FILL, title="Roof")
    entry = shelf_entry(read_part(chart))
    entry |= {
        "fills": [fill | {"sure": False} for fill in entry["fills"]],
        "grooves": [
            entry["grooves"][0] | {"text": "backbeat on 2 and 4; no ride pattern, no crash; 8ths on the hi-hat"}
        ],
    }
    (row,) = catalogue_rows([ShelfSong("roof", tmp_path, None)], {"roof": SongMemory(entry=entry)}, tmp_path)
    assert row["fills"] == len(read_part(chart).fills) == 2 and read_question("fills>1")(row)
    assert read_question('"backbeat on 2" "8ths on the hi-hat"')(row) and not read_question("ride")(row)


@pytest.mark.parametrize(
    "feel, groove, swings", [("swing 8ths", "", True), ("straight", "shuffled", True), ("straight", "", False)]
)
def test_whatever_swings_is_found_by_each_word_for_it(rows, tmp_path, feel, groove, swings):
    entry = shelf_entry(read_part(chart_of(title="Swing Low")))
    entry |= {"feel": feel, "grooves": [{**entry["grooves"][0], "text": groove}]}
    (row,) = catalogue_rows([ShelfSong("low", tmp_path, None)], {"low": SongMemory(entry=entry)}, tmp_path)
    assert [word in row["text"] for word in ("shuffle", "swung")] == [swings] * 2


def test_the_tables_come_back_from_their_files_as_they_were(rows, tmp_path):
    files, notes = write_catalogue(rows, tmp_path, "Shelf")
    assert [f.name for f in files] == ["catalogue.csv", "catalogue.parquet", "catalogue.html"] and not notes
    table = song_table(rows)
    assert tuple(table.columns) == SONG_COLUMNS
    pandas.testing.assert_frame_equal(pandas.read_parquet(files[1]), table, check_dtype=False)
    back = pandas.read_csv(files[0])
    assert list(back.song) == list(table.song) and list(back.strokes.fillna("")) == list(table.strokes)
    assert back.tempo_bpm[1] == 110 and "kick on 1, 3, & of 3" in back.strokes[1]


def test_without_pyarrow_one_sentence_says_so(rows, tmp_path, monkeypatch):
    monkeypatch.setattr(catalogue, "find_spec", lambda name: None)
    files, notes = write_catalogue(rows, tmp_path, "Shelf")
    assert [f.suffix for f in files] == [".csv", ".html"] and "pyarrow" in notes[0]


def test_the_page_holds_its_rows_and_no_markup_of_theirs(rows):
    page = catalogue_page(rows, "A <b>shelf</b>")
    assert "<title>A &lt;b&gt;shelf" in page and page.count("</script>") == 2
    data = json.loads(re.search(r'id="catalogue">(.*?)</script>', page, re.S)[1])
    assert [r[data["columns"].index("song")] for r in data["rows"]] == ["roof", 'Kettle <!-- <script> </script> & "Co"']
    assert not re.search(r"https?://", page)
