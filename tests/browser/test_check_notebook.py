"""An educator's first minute with a draft: run all, choose a finding, hear its bar, correct it there."""

import json

import pytest

pytestmark = pytest.mark.browser


def test_a_finding_leads_to_its_bar_and_is_corrected_there(open_delivered, lab, screenshot):
    page = open_delivered("check_a_draft")
    grid = page.grid()
    report = lab.root / "check_a_draft" / "demo" / "copper-weather.hurried.check.json"
    page.page.wait_for_function(
        "() => [...document.querySelectorAll('.jp-OutputArea-output')].some("
        "(e) => e.textContent.includes('copper-weather.hurried.check.json'))"
    )
    # The kick that the notebook wrote into a draft of a recording that has none there.
    extra = next(
        f for f in json.loads(report.read_text())["findings"] if f["kind"] == "extra" and f["instrument"] == "kick"
    )
    found = page.page.locator(".widget-select select")
    found.scroll_into_view_if_needed()
    texts = found.locator("option").all_inner_texts()
    assert texts[0].startswith("wrong"), texts
    row = next(k for k, text in enumerate(texts) if extra["text"] in text.replace("\xa0", " "))
    found.select_option(index=row)
    page.page.get_by_text("sure that the chart is wrong").wait_for()
    kernel = page.lab.kernel_of(page.notebook)
    bar = kernel.value(f"song.chart.time_map.place({extra['time_s']}).bar_index")
    page.page.wait_for_function("(bar) => document.querySelector('.wbg').hitGrid.cursor?.bar === bar", arg=bar)
    page.page.get_by_role("button", name="Play this bar").click()
    page.page.wait_for_function("(bar) => document.querySelector('.wbg').hitGrid.heardBar === bar", arg=bar)
    screenshot(page, "check-a-draft")
    # Nothing is heard there: the kick goes, in the page and in Python.
    kick = f"song.chart.bars[{bar}].find(__import__('fractions').Fraction('{extra['position']}'), 'kick')"
    assert kernel.value(f"{kick} is not None")
    page.page.wait_for_function(
        "(at) => document.querySelector('.wbg').hitGrid.cursor.at === at", arg=extra["position"]
    )
    grid.press("Delete")
    grid.settle()
    assert kernel.value(f"{kick} is None")
    kernel.close()
