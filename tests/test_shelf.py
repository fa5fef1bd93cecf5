"""A shelf as a user holds it."""

import pandas
import pytest

import workbench as wb
from tests.parts import FILL, HALF, RIDE, ROCK, bar
from tests.shelves import chart_of, record, shelve

OPEN = bar(H="x.x.x.x.x.x.x.o.", S="....x.......x...", K="x.......x.x.....")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shelf")
    shelve(folder, "kettle", chart_of(*(ROCK,) * 7, FILL, *(RIDE,) * 8))
    shelve(folder, "set/half", chart_of(*(HALF,) * 8, title="Half Tide"))
    shelve(folder, "set/open", chart_of(*(OPEN,) * 8, title="Open Road"))
    record(folder / "later.wav", 1)
    return wb.shelf(folder, do=())


@pytest.mark.slow
def test_questions_are_one_line(shelf):
    assert list(shelf.find("half-time tempo<115").song) == ["Half Tide"]
    assert list(shelf.find('"open hi-hat on the & of 4"').song) == ["Open Road"]
    assert len(shelf.find("")) == 4
    with pytest.warns(match="no tempo is known of it: later"):  # not drafted
        assert list(shelf.find("tempo<100").song) == []
    with pytest.raises(wb.WorkbenchError):
        shelf.find("loudness>3")


def test_its_tables(shelf):
    assert all(isinstance(table, pandas.DataFrame) for table in (shelf.songs, shelf.grooves, shelf.fills))
    assert list(shelf.songs.state) == ["done", "not drafted", "done", "done"]
    assert list(shelf.fills.song) == ["Enamel Kettle"] and shelf.fills.difficulty[0] >= 1
    assert shelf.grooves["count"].is_monotonic_decreasing and set(shelf.grooves.song) >= {"Half Tide", "Open Road"}
    assert "4 songs" in repr(shelf) and "Half Tide" in shelf._repr_html_()


def test_an_empty_shelf_is_a_shelf(tmp_path):
    shelf = wb.shelf(tmp_path)
    assert len(shelf.songs) == len(shelf.fills) == len(shelf.grooves) == 0 and shelf.page.is_file()
