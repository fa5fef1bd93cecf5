"""Parts by the names of their files."""

import pytest

from tests.test_align import FILL, GROOVE, VARIATION, chart_of
from workbench.errors import FileFormatError


def test_drafts_made_by_others(tmp_path):
    from workbench.files.chartfile import write_chart
    from workbench.notation.midi import write_midi
    from workbench.notation.musicxml import write_musicxml
    from workbench.scorefiles import read_any_chart

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
    with pytest.raises(FileFormatError, match="draft its chart first"):
        read_any_chart(tmp_path / "song.flac")
