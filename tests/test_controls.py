"""Buttons and menus over the grid."""

from workbench.chart.meter import Meter
from workbench.grid import GridControls, bundle


def test_the_meter_is_set_for_the_bars_that_are_meant(grid, document):
    controls = GridControls(grid)
    controls.meter.value = "3/4"
    controls.set_meter.click()
    assert {b.meter for b in document.chart.time_map.bars} == {Meter(3, 4)}
    document.undo()
    grid.bars_meant, grid.selected_bars = "selected bars", [1, 2]
    controls.set_meter.click()
    assert document.chart.time_map.bars[0].meter == Meter(4, 4)
    assert document.chart.time_map.bars[1].meter == Meter(3, 4)


def test_controls_act_on_the_selected_bars(grid, document):
    controls = GridControls(grid)
    grid.bars_meant, grid.selected_bars = "selected bars", [6, 7]
    controls.meter.value = "3/4"
    controls.set_meter.click()
    assert [str(b.meter) for b in document.chart.time_map.bars] == ["4/4"] * 6 + ["3/4"] * 3
    controls.subdivision.value = 3
    controls.set_subdivision.click()
    assert document.chart.bars[7].subdivisions == (3, 3, 3)
    controls.section.value = "Coda"
    controls.name_section.click()
    assert [(s.bar_index, s.name) for s in document.chart.sections] == [(6, "Coda")]
    controls.undo.click()
    assert document.chart.sections == ()
    controls.redo.click()
    assert len(document.chart.sections) == 1


def test_what_a_control_cannot_do_is_said_in_the_page(grid):
    controls = GridControls(grid)
    for value, reason in (("4 4", "Write a meter"), ("2/3", "lower number")):
        controls.meter.value = value
        controls.set_meter.click()
        assert reason in grid.sent[-1][0]["error"]
    controls.name_section.click()
    assert "name first" in grid.sent[-1][0]["error"]
    controls.next_doubt.click()
    assert grid.sent[-1][0] == {"type": "command", "command": "next doubt"}


def test_every_button_of_the_page_names_a_command_that_the_page_knows(grid):
    source = (bundle.HERE / "js" / "commands.js").read_text("utf8")
    controls = GridControls(grid)
    for command in (*controls.hit, *controls.bars):
        assert f'"{command}"' in source
    controls.hit["accent"].click()
    assert grid.sent[-1][0] == {"type": "command", "command": "accent"}
