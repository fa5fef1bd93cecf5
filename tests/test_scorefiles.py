"""Parts by the names of their files."""

import shlex
from dataclasses import replace

import pytest

from tests.sentences import says
from tests.shelves import record
from tests.test_align import FILL, GROOVE, VARIATION, chart_of
from workbench.chart import Recording
from workbench.errors import FileFormatError
from workbench.files.audio import sha256_of
from workbench.files.chartfile import write_chart
from workbench.notation.midi import write_midi
from workbench.notation.musicxml import write_musicxml
from workbench.scorefiles import read_any_chart


def test_drafts_made_by_others(tmp_path):
    chart = chart_of([GROOVE, VARIATION, FILL])
    write_chart(chart, tmp_path / "a.chart.json")
    write_midi(chart, tmp_path / "a.mid")
    write_musicxml(chart, tmp_path / "a.musicxml")
    for name in ("a.chart.json", "a.mid", "a.musicxml"):
        read = read_any_chart(tmp_path / name).chart
        assert [b.pattern for b in read.bars][:3] == [b.pattern for b in chart.bars]
    with pytest.raises(FileFormatError, match="can be read"):
        read_any_chart(tmp_path / "a.doc")
    with pytest.raises(FileFormatError, match="There is no"):
        read_any_chart(tmp_path / "gone.chart.json")
    with pytest.raises(FileFormatError, match="draft its chart first") as told:
        read_any_chart(tmp_path / "a song.flac")
    words = shlex.split(str(told.value).partition("first: ")[2])
    assert words == ["workbench", "draft", str(tmp_path / "a song.flac")]


def test_of_a_recording_its_own_chart_beside_it_is_read(tmp_path):
    song = record(tmp_path / "song.wav")
    chart = replace(chart_of([GROOVE, FILL]), recording=Recording("song.wav", sha256_of(song), 6.0))
    write_chart(chart, tmp_path / "song.chart.json")
    read = read_any_chart(song)
    assert read.chart.bars == chart.bars and says(read.remarks[0], "song.wav", "song.chart.json")
    record(song, seed=7)
    with pytest.raises(FileFormatError, match="draft its chart first"):
        read_any_chart(song)
