"""The chart file: exact round trip, its schema, and files that are wrong."""

import json
import os
from dataclasses import fields, replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.charts import charts
from tests.effort import examples
from workbench.chart import ARTICULATIONS, FEELS, MARK_KINDS, Chart, Note, PossibleHit, Recording, Section, WrittenBar
from workbench.chart.meter import MOST_BARS, Bar, Meter, TimeMap
from workbench.errors import FileFormatError
from workbench.files import chartfile
from workbench.files.chartfile import chart_schema, dumps_chart, loads_chart, read_chart, write_chart


@pytest.fixture
def chart():
    time_map = TimeMap(
        (
            Bar(Meter(4, 4), (0.1,), F(1, 4)),
            Bar(Meter(4, 4), (0.6, 1.1, 1.6, 2.1)),
            Bar(Meter(6, 8), (2.6, 3.35), fixed=True),
        ),
        4.1,
    )
    bars = (
        WrittenBar((Note(F(0), "snare"),)),
        WrittenBar((Note(F(1, 12), "kick", 99, frozenset({"accent"}), 0.1 + 0.2, 0.3, True, "R"),), (3, 4, 4, 4)),
        WrittenBar(),
    )
    return Chart(
        time_map,
        bars,
        "Tin Roof Waltz",
        "The Gutter Larks 🥁",
        Recording("a.flac", "00", 4.2),
        (Section(0, "Verse", "A"),),
    )


@pytest.mark.slow
@given(charts())
def test_every_chart_comes_back_equal_and_keeps_to_the_schema(chart):
    text = dumps_chart(chart)
    assert loads_chart(text) == chart
    assert dumps_chart(loads_chart(text)) == text
    import jsonschema  # takes long: only where it is needed

    jsonschema.validate(json.loads(text), chart_schema())


def test_round_trip_through_a_file(tmp_path, chart):
    path = tmp_path / "waltz.chart.json"
    write_chart(chart, path)
    assert read_chart(path) == chart
    assert path.read_bytes() == dumps_chart(chart).encode()
    assert len(list(tmp_path.iterdir())) == 1


def test_the_schema_is_a_schema_and_knows_the_words_of_the_chart():
    schema = chart_schema()
    assert set(schema["$defs"]["chart"]["properties"]) == {f.name for f in fields(Chart)}
    from jsonschema import Draft202012Validator

    Draft202012Validator.check_schema(schema)
    definitions = schema["$defs"]
    assert definitions["note"]["properties"]["articulations"]["items"]["enum"] == sorted(ARTICULATIONS)
    assert definitions["chart"]["properties"]["feel"]["enum"] == list(FEELS)
    assert definitions["mark"]["properties"]["kind"]["enum"] == list(MARK_KINDS)


def test_one_bar_a_line_so_that_versions_can_be_compared(chart):
    lines = dumps_chart(chart).splitlines()
    assert sum('"kick", "velocity"' in line for line in lines) == 1
    assert max(map(len, lines)) < 400


def test_an_older_byte_order_mark_is_no_trouble(tmp_path, chart):
    path = tmp_path / "waltz.chart.json"
    path.write_bytes(b"\xef\xbb\xbf" + dumps_chart(chart).encode())
    assert read_chart(path) == chart


# -- what is wrong, and where ---------------------------------------------------------


def broken(chart, change):
    data = json.loads(dumps_chart(chart))
    change(data)
    return json.dumps(data)


def set_(data, path, value):
    *parents, last = path
    for key in parents:
        data = data[key]
    data[last] = value


def delete(data, path):
    *parents, last = path
    for key in parents:
        data = data[key]
    del data[last]


NOTE = ("chart", "bars", 1, "notes", 0)


@pytest.mark.parametrize(
    "path, value, message",
    [
        (("chart", "title"), 3, r"chart\.title"),
        (("chart", "feel"), "wobbly", r"chart\.feel"),
        (("chart", "surprise"), 1, "surprise"),
        (("chart", "time_map", "end_s"), "late", r"time_map\.end_s"),
        (("chart", "time_map", "end_s"), 0.2, "Beat times must increase"),
        (("chart", "time_map", "bars"), [], "at least one bar|written bars"),
        (("chart", "time_map", "bars", 1, "meter"), "four", "meter"),
        (("chart", "time_map", "bars", 1, "beats_s"), [0.6], "beat times"),
        (("chart", "bars", 2), {"notes": 5}, r"chart\.bars\[2\]\.notes"),
        ((*NOTE, "at"), 0.25, r"chart\.bars\[1\]\.notes\[0\]\.at"),
        ((*NOTE, "at"), "1/0", "position"),
        ((*NOTE, "at"), "9", "Bar 1 .* lies outside"),
        ((*NOTE, "at"), "1" * 400, "position"),
        ((*NOTE, "instrument"), "triangle", r"chart\.bars\[1\]\.notes\[0\]\.instrument"),
        ((*NOTE, "velocity"), 0, r"notes\[0\]\.velocity"),
        ((*NOTE, "velocity"), 200, r"notes\[0\]\.velocity"),
        ((*NOTE, "velocity"), True, "whole number"),
        ((*NOTE, "articulations"), ["loud"], "articulation"),
        ((*NOTE, "confidence"), 2, "confidence"),
        ((*NOTE, "sticking"), "X", "sticking"),
        (
            ("chart", "bars", 1, "notes"),
            [{"at": "0", "instrument": "kick", "velocity": 9}] * 2,
            r"chart\.bars\[1\]: Two kick notes",
        ),
        (("chart", "sections", 0, "bar_index"), 9, "There is no bar 9"),
        (("chart", "kit"), ["kazoo"], "kazoo"),
        (("chart", "possible_hits"), [{"time_s": 1.0, "instrument": "kick", "probability": 2}], "possible_hits"),
        (("chart", "doubt_below"), 2, "limit of doubt"),
        (("version",), 3, "newer workbench"),
        (("version",), "1", "does not say which version"),
        (("version",), 0, "does not say which version"),
        (("format",), "something", "no chart file"),
        (("extra",), 1, "unknown field 'extra'"),
    ],
)
def test_one_wrong_field_is_named(chart, path, value, message):
    with pytest.raises(FileFormatError, match=message) as caught:
        loads_chart(broken(chart, lambda data: set_(data, path, value)), "waltz.chart.json")
    assert "waltz.chart.json" in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "path",
    [
        ("format",),
        ("version",),
        ("chart",),
        ("chart", "title"),
        ("chart", "bars"),
        ("chart", "time_map", "bars"),
        (*NOTE, "at"),
        (*NOTE, "velocity"),
    ],
)
def test_one_missing_field_is_named(chart, path):
    with pytest.raises(FileFormatError, match=f"{path[-1]}"):
        loads_chart(broken(chart, lambda data: delete(data, path)))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[",
        "[]",
        "null",
        "{}",
        "hello",
        '{"format": NaN}',
        "[" * 100_000,
        '{"format": "drum chart", "version": ' + "9" * 5000 + "}",
    ],
)
def test_other_text_is_refused(text):
    with pytest.raises(FileFormatError, match="no chart|nested"):
        loads_chart(text)


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none(chart, number):
    text = dumps_chart(chart).replace('"end_s": 4.1', f'"end_s": {number}')
    assert number in text
    with pytest.raises(FileFormatError):
        loads_chart(text)


def test_files_that_cannot_be_read(tmp_path, monkeypatch):
    with pytest.raises(FileFormatError, match="There is no file"):
        read_chart(tmp_path / "gone.chart.json")
    with pytest.raises(FileFormatError, match="is a folder"):
        read_chart(tmp_path)
    path = tmp_path / "x.chart.json"
    path.write_bytes(b"\xff\xfe\x00song")
    with pytest.raises(FileFormatError, match="UTF-8"):
        read_chart(path)
    monkeypatch.setattr(chartfile, "LARGEST_CHART_BYTES", 3)
    with pytest.raises(FileFormatError, match="larger than"):
        read_chart(path)


@pytest.mark.slow
@examples(200)
@given(charts(max_bars=2), st.integers(0, 10**9))
def test_a_damaged_file_never_ends_in_anything_but_a_sentence(chart, seed):
    data = bytearray(dumps_chart(chart).encode())
    data[seed % len(data)] = seed * 7 % 256
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return
    try:
        loads_chart(text)
    except FileFormatError:
        pass


# -- writing ------------------------------------------------------------------------------


def test_a_failed_write_leaves_the_old_chart(tmp_path, chart, monkeypatch):
    path = tmp_path / "waltz.chart.json"
    write_chart(chart, path)

    def full_disk(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(FileFormatError, match="No space left"):
        write_chart(Chart.empty(TimeMap.steady(1, 120)), path)
    assert read_chart(path) == chart
    assert [p.name for p in tmp_path.iterdir()] == ["waltz.chart.json"]


def test_where_it_cannot_be_written(tmp_path, chart):
    with pytest.raises(FileFormatError, match="could not be written"):
        write_chart(chart, tmp_path / "nowhere" / "x.chart.json")
    with pytest.raises(FileFormatError, match="folder of this name"):
        write_chart(chart, tmp_path)


def test_rights_of_an_older_file_stay(tmp_path, chart):
    path = tmp_path / "waltz.chart.json"
    write_chart(chart, path)
    path.chmod(0o600)
    write_chart(chart, path)
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.slow
def test_more_bars_than_a_chart_holds_are_refused_before_they_are_read(chart):
    data = json.loads(dumps_chart(chart))
    data["chart"]["time_map"]["bars"] = ["no bar"] * (MOST_BARS + 1)
    with pytest.raises(FileFormatError, match=f"at most {MOST_BARS} bars"):
        loads_chart(json.dumps(data))


def test_possible_hits_are_kept_beside_the_notes_and_older_files_have_none(chart):
    hit = PossibleHit(0.7, "closed hi-hat", 60, 0.4, "It is heard faintly.")
    text = dumps_chart(replace(chart, possible_hits=(hit,)))
    assert loads_chart(text).possible_hits == (hit,)
    assert loads_chart(dumps_chart(replace(chart, doubt_below=0.9))).doubt_below == 0.9
    without = json.loads(dumps_chart(chart)) | {"version": 1}
    assert not {"possible_hits", "doubt_below"} & set(without["chart"]) and loads_chart(json.dumps(without)) == chart
