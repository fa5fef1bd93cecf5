"""Time labels, hits.csv and beats.csv."""

from fractions import Fraction as F

import mir_eval
import pandas
import pytest
from hypothesis import given

from tests.charts import charts
from tests.sentences import sentence_of
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.events import Beat
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import FileFormatError
from workbench.files import annotations
from workbench.files.annotations import (
    BEATS_COLUMNS,
    HITS_COLUMNS,
    read_beat_labels,
    read_labels,
    write_beats,
    write_hits,
)


def test_labels_as_others_write_them(tmp_path):
    path = tmp_path / "hits.txt"
    path.write_bytes(b"\xef\xbb\xbf# a remark\r\n1.5   SD \r\n\r\n 0.5\tKD\r\n")
    assert read_labels(path) == [(0.5, "KD"), (1.5, "SD")]


@pytest.mark.parametrize("text", ["KD 0.5\n", "nan KD\n", "0.5 KD\n1,5 SD\n", "inf\n"])
def test_a_line_without_a_time_is_named(tmp_path, text):
    path = tmp_path / "hits.txt"
    path.write_text(text)
    with pytest.raises(FileFormatError, match=r"hits\.txt, line \d: .* is no time in seconds"):
        read_labels(path)


def test_beat_labels(tmp_path):
    path = tmp_path / "beats.txt"
    path.write_text("0.5\t1\n1.0\t2\n")
    assert read_beat_labels(path) == [Beat(0.5, 1), Beat(1.0, 2)]
    path.write_text("0.5\tone\n")
    with pytest.raises(FileFormatError, match="numbered from 1"):
        read_beat_labels(path)


@given(chart=charts())
def test_hits_of_any_chart_are_there_in_order_of_time(chart, tmp_path_factory):
    path = tmp_path_factory.mktemp("tables") / "x.hits.csv"
    write_hits(chart, path)
    table = pandas.read_csv(path, dtype={"position": str})
    notes = sorted(chart.notes(), key=lambda kn: chart.note_time_s(*kn))
    written = [(chart.time_map.bar_number(k), str(n.position), n.instrument, n.velocity) for k, n in notes]
    assert list(table[["bar", "position", "instrument", "velocity"]].itertuples(index=False, name=None)) == written
    assert list(table["time_s"]) == pytest.approx([chart.note_time_s(k, n) for k, n in notes], abs=1e-6)
    assert list(table["confidence"]) == pytest.approx([n.confidence for _, n in notes], abs=1e-3)


def test_hits_of_a_pickup_as_another_library_reads_them(tmp_path):
    time_map = TimeMap((Bar(Meter(4, 4), (0.25,), F(1, 8)), Bar(Meter(4, 4), (0.5, 1.0, 1.5, 2.0))), 2.5)
    chart = Chart(
        time_map,
        (
            WrittenBar((Note(F(0), "snare", 70),)),
            WrittenBar((Note(F(3, 8), "kick", 99, deviation_s=0.01, confidence=0.5),)),
        ),
    )
    path = tmp_path / "x.hits.csv"
    write_hits(chart, path)
    table = pandas.read_csv(path)
    assert tuple(table.columns) == HITS_COLUMNS
    assert table.values.tolist() == [[0.25, 0, "0", "snare", 70, 1.0], [1.26, 1, "3/8", "kick", 99, 0.5]]
    path = tmp_path / "x.beats.csv"
    write_beats(chart, path)
    table = pandas.read_csv(path)
    assert tuple(table.columns) == BEATS_COLUMNS
    # The pick-up opens between beats 4 and 1: it has no beat of its own.
    assert table.values.tolist() == [[0.5, 1, 1], [1.0, 1, 2], [1.5, 1, 3], [2.0, 1, 4]]


def test_beats_of_compound_meter_are_dotted_quarters(tmp_path):
    path = tmp_path / "x.beats.csv"
    write_beats(Chart.empty(TimeMap.steady(2, 60, Meter(6, 8))), path)
    assert pandas.read_csv(path).values.tolist() == [[0, 1, 1], [1, 1, 2], [2, 2, 1], [3, 2, 2]]


@pytest.mark.parametrize("text", ["1 ²", "1 0", "1 -1", "1 1.5", "1 " + "9" * 400, "1 ٣"])
def test_beats_without_a_number_are_named(tmp_path, text):
    path = tmp_path / "song.beats"
    path.write_text(text, "utf-8")
    assert "numbered from 1" in sentence_of(read_beat_labels, path)


def test_times_are_those_that_can_be_compared(tmp_path):
    assert annotations.LATEST_S == mir_eval.beat.MAX_TIME == mir_eval.onset.MAX_TIME
    path = tmp_path / "song.beats"
    path.write_text("29999 1\n30001 2\n")
    assert "line 2: '30001' lies beyond" in sentence_of(read_beat_labels, path)


def test_tables_longer_than_any_recording_needs_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(annotations, "MOST_NOTES", 3)
    path = tmp_path / "long.txt"
    path.write_text("1\tKD\n" * 3)
    assert len(read_labels(path)) == 3
    path.write_text("1\tKD\n" * 4)
    assert "more than 3" in sentence_of(read_labels, path)


def test_files_that_cannot_be_read(tmp_path):
    for read in (read_labels, read_beat_labels):
        with pytest.raises(FileFormatError, match="There is no file"):
            read(tmp_path / "gone.csv")
        with pytest.raises(FileFormatError, match="is a folder"):
            read(tmp_path)
        path = tmp_path / "x.csv"
        path.write_bytes(b"\xff\xfe\x00")
        with pytest.raises(FileFormatError, match="not text"):
            read(path)
