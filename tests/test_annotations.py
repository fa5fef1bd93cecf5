"""Time labels, hits.csv and beats.csv."""

import re
from fractions import Fraction as F

import mir_eval
import pandas
import pytest
from hypothesis import given

from tests.charts import charts
from tests.sentences import sentence_of
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.events import Beat, Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import FileFormatError
from workbench.files import annotations
from workbench.files.annotations import (
    BEATS_COLUMNS,
    HITS_COLUMNS,
    AnnotatedHit,
    hits_of_chart,
    read_beat_labels,
    read_beats,
    read_hits,
    read_labels,
    write_beats,
    write_hits,
    write_labels,
)


def test_labels_round_trip(tmp_path):
    path = tmp_path / "hits.txt"
    write_labels([(1.5, "snare drum"), (0.25, "kick"), (2.0, "")], path)
    assert path.read_text() == "0.250000\tkick\n1.500000\tsnare drum\n2.000000\t\n"
    assert read_labels(path) == [(0.25, "kick"), (1.5, "snare drum"), (2.0, "")]


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


@given(charts())
def test_hits_of_any_chart_round_trip(chart):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.hits.csv"
        write_hits(chart, path)
        again = read_hits(path)
    hits = hits_of_chart(chart)
    assert [(h.bar_number, h.position, h.stroke.instrument, h.stroke.velocity) for h in again] == [
        (h.bar_number, h.position, h.stroke.instrument, h.stroke.velocity) for h in hits
    ]
    for a, b in zip(again, hits):
        assert a.stroke.time_s == pytest.approx(b.stroke.time_s, abs=1e-6)
        assert a.stroke.confidence == pytest.approx(b.stroke.confidence, abs=1e-3)


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
    write_beats(time_map, path)
    table = pandas.read_csv(path)
    assert tuple(table.columns) == BEATS_COLUMNS
    # The pick-up opens between beats 4 and 1: it has no beat of its own.
    assert table.values.tolist() == [[0.5, 1, 1], [1.0, 1, 2], [1.5, 1, 3], [2.0, 1, 4]]
    assert read_beats(path) == [Beat(0.5, 1), Beat(1.0, 2), Beat(1.5, 3), Beat(2.0, 4)]


def test_beats_of_compound_meter_are_dotted_quarters(tmp_path):
    path = tmp_path / "x.beats.csv"
    write_beats(TimeMap.steady(2, 60, Meter(6, 8)), path)
    assert read_beats(path) == [Beat(0, 1), Beat(1, 2), Beat(2, 1), Beat(3, 2)]


def test_hits_with_times_and_instruments_only(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("instrument,time_s\nkick,0.5\n\nsnare,1\n")
    assert read_hits(path) == [AnnotatedHit(Stroke(0.5, "kick")), AnnotatedHit(Stroke(1.0, "snare"))]


@pytest.mark.parametrize(
    "text, message",
    [
        ("time_s,bar\n1,1\n", "no column 'instrument'"),
        ("", "no column 'time_s'"),
        ("time_s,instrument\nlate,kick\n", "line 2: 'late' is no time"),
        ("time_s,instrument\n1,kick\n2,triangle\n", "line 3: The drum key has no instrument"),
        ("time_s,instrument,velocity\n1,kick,loud\n", "line 2"),
        ("time_s,instrument,velocity\n1,kick,300\n", "line 2: A velocity"),
        ("time_s,instrument,position\n1,kick,0.5\n", "line 2: A position"),
        ("time_s,instrument\n1,kick,3\n", "line 2: 3 fields under 2 columns"),
        ("time_s,instrument,confidence\n1,kick,sure\n", "line 2: A confidence"),
        ("time_s,instrument,bar\n1,kick,²\n", "line 2: '²' is no bar number"),
        ("time_s,instrument,bar\n1,kick," + "9" * 400 + "\n", "line 2: '9+.* is no bar number"),
        ("time_s,instrument\n30001,kick\n", "line 2: '30001' lies beyond"),
        ("time_s,instrument\n1,kick\n-1e300,kick\n", "line 3: '-1e300' lies beyond"),
        ('time_s,instrument\n1,"' + "k" * 200_000, "line 2: a quotation mark"),
        ("time_s,instrument\n1,\x1b[31mkick\n", "no instrument"),
    ],
)
def test_what_is_wrong_with_hits_is_named(tmp_path, text, message):
    path = tmp_path / "x.hits.csv"
    path.write_text(text)
    assert re.search(message, sentence_of(read_hits, path))


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


@pytest.mark.parametrize("read, line", [(read_labels, "1\tKD\n"), (read_hits, "1,kick\n")])
def test_tables_longer_than_any_recording_needs_are_refused(tmp_path, monkeypatch, read, line):
    monkeypatch.setattr(annotations, "MOST_NOTES", 3)
    path = tmp_path / "long.txt"
    path.write_text("time_s,instrument\n" * (read is read_hits) + line * 3)
    assert len(read(path)) == 3
    path.write_text("time_s,instrument\n" * (read is read_hits) + line * 4)
    assert "more than 3" in sentence_of(read, path)


def test_files_that_cannot_be_read(tmp_path):
    for read in (read_labels, read_hits, read_beats):
        with pytest.raises(FileFormatError, match="There is no file"):
            read(tmp_path / "gone.csv")
        with pytest.raises(FileFormatError, match="is a folder"):
            read(tmp_path)
        path = tmp_path / "x.csv"
        path.write_bytes(b"\xff\xfe\x00")
        with pytest.raises(FileFormatError, match="not text"):
            read(path)
    with pytest.raises(FileFormatError, match="line break"):
        write_labels([(0.0, "a\nb")], tmp_path / "y.txt")
