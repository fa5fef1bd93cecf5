"""Kit maps as tables: what comes back, and which row is wrong."""

import pytest

from workbench.chart.drumkit import KitLine
from workbench.errors import FileFormatError
from workbench.files.kitmap import read_kit_map

HEAD = "instrument,label,place,notehead,keys in,key out\n"


def test_a_table_of_a_spreadsheet_is_read(tmp_path):
    path = tmp_path / "my.kit.csv"
    path.write_text(HEAD + "snare,Piccolo,C5,,38 40,38\nLog Drum [91],,,triangle,,\n", "utf-8-sig")
    assert read_kit_map(path) == (
        KitLine("snare", "Piccolo", "C5", "", (38, 40), 38),
        KitLine("Log Drum [91]", notehead="triangle"),
    )


@pytest.mark.parametrize(
    "table, said",
    [
        ("drum,key\nsnare,38\n", "columns"),
        (HEAD + "gong,,,,,\n", "Row 2.*gong"),
        (HEAD + "snare,,H5,,,\n", "Row 2.*staff place"),
        (HEAD + "snare,,,star,,\n", "Row 2.*notehead"),
        (HEAD + "kick,,,,36,\nsnare,,,,200,\n", "Row 3.*127"),
        (HEAD + "snare,,,,thirty,\n", "Row 2.*numbers"),
        (HEAD + "snare,,,,,\nsnare,,,,,\n", "two rows"),
    ],
)
def test_a_wrong_row_is_named(tmp_path, table, said):
    path = tmp_path / "my.kit.csv"
    path.write_text(table)
    with pytest.raises(FileFormatError, match=said):
        read_kit_map(path)
