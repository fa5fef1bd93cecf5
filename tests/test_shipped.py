"""What comes with the workbench beside its code."""

import pytest

import workbench as wb


def test_a_copy_leaves_what_is_there(tmp_path):
    chart = wb.demo_song(tmp_path, "chart")
    chart.write_text("mine")
    assert wb.demo_song(tmp_path, "chart").read_text() == "mine"
    assert (tmp_path / "copper-weather.ogg").is_file(), "the recording comes with it"
    with pytest.raises(wb.WorkbenchError, match="there is recording, chart"):
        wb.demo_song(what="video")
