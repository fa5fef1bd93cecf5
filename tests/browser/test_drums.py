"""The panel of drums in a real JupyterLab, on a draft: each heard, given its true name or taken out as a whole."""

import re

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.browser.conftest import SONG, WINDOW
from workbench.chart.drums import EXAMPLE_LEAD_S, EXAMPLE_S, MOST_EXAMPLES
from workbench.grid.passages import GAP_S

pytestmark = pytest.mark.browser

DRAFT = """
import workbench as wb
document = wb.open_chart("here/copper-weather.chart.json")
grid = wb.HitGrid(document, hearing_hint=False)
wb.workspace(grid)"""
STROKES = "sorted([document.chart.note_time_s(k, n), n.velocity] for k, n in document.chart.notes())"
#: All of a chart.
ALL = "__import__('workbench.chart.data', fromlist=['to_data']).to_data(document.chart)"


def hits_of(kernel, name):
    return kernel.value(f"sum(n.instrument == '{name}' for _, n in document.chart.notes())")


def line_of(page, name):
    return page.page.get_by_role("listitem").filter(has_text=name).locator(".wbg-words").inner_text()


def says(page, pattern):
    expect(page.page.locator(".wbg-here")).to_have_text(re.compile(pattern))


@pytest.fixture
def draft(open_grid, drafted):
    page, grid, kernel = open_grid(f"!cp -r '{drafted}' here\n" + DRAFT)
    page.page.set_viewport_size({"width": 1280, "height": 800})  # a laptop's
    page.page.evaluate("() => window.jupyterapp.shell.collapseLeft()")
    grid.sheet.scroll_into_view_if_needed()
    grid.becomes("view.session.info.has_recording && view.session.info.sample_rate > 0")
    yield page, grid, kernel
    page.page.set_viewport_size(WINDOW)
    page.page.evaluate("() => window.jupyterapp.shell.expandLeft()")


def test_a_drum_is_named_and_taken_out_as_a_whole_and_undo_brings_all_back(draft, screenshot):
    page, grid, kernel = draft
    grid.click(5, 1 / 2, "closed hi-hat")  # the cursor is on a hit; a second one is confirmed
    grid.press("k")
    grid.settle()
    at_first, strokes = kernel.value(ALL), kernel.value(STROKES)
    closed, rides = hits_of(kernel, "closed hi-hat"), hits_of(kernel, "ride")
    # Where the cursor is, and which part of which line is at the top.
    stands = "return [view.cursor, Math.round((100 * view.scroller.scrollTop) / view.sheet.lineHeight)]"
    page.page.get_by_role("button", name="Drums", exact=True).click()
    grid.drawn()
    for theme in ("JupyterLab Dark", "JupyterLab Light"):
        grid.theme(theme)
        screenshot(page, f"drums-{theme.split()[1].lower()}")
    assert f"{closed} hits, 1 confirmed" in line_of(page, "closed hi-hat")
    before = grid.evaluate(stands)
    page.page.get_by_role("button", name="Rename the closed hi-hat …").click()
    screenshot(page, "drums-menu")
    page.page.get_by_role("menuitem", name="ride", exact=True).click()
    grid.settle()
    assert grid.evaluate(stands) == before
    says(page, rf"^{closed - 1} hits: closed hi-hat → ride; .*1 confirmed one stays\.$")
    assert (hits_of(kernel, "closed hi-hat"), hits_of(kernel, "ride")) == (1, rides + closed - 1)
    assert kernel.value(STROKES) == strokes  # no stroke has moved
    grid.drawn()
    assert line_of(page, "closed hi-hat").startswith("1 hit, 1 confirmed")
    page.page.get_by_role("button", name="Take all of the ride out").click()
    grid.settle()
    assert hits_of(kernel, "ride") == 0
    says(page, rf"^{rides + closed - 1} hits: ride taken out")
    # A drum that the song had not brings a row and a line of its own; the sheet need not move for them.
    page.page.get_by_role("button", name="Rename the snare …").click()
    page.page.get_by_role("menuitem", name="hand clap", exact=True).click()
    grid.settle()
    grid.becomes("view.rowOf.has('hand clap')")
    assert line_of(page, "hand clap") and grid.evaluate(stands) == before
    grid.press("Control+z", "Control+z", "Control+z")
    grid.settle()
    assert kernel.value(ALL) == at_first


def test_the_keyboard_reaches_all_of_it(draft):
    page, grid, kernel = draft
    at_first = kernel.value(ALL)
    grid.press("Shift+H")
    expect(page.page.get_by_role("region", name="Drums")).to_be_visible()
    focused = "document.activeElement.getAttribute('aria-label')"
    first = grid.evaluate(f"return {focused}")
    assert first.startswith("Hear the ")
    drum = first.removeprefix("Hear the ")
    page.page.keyboard.press("Tab")
    assert grid.evaluate(f"return {focused}") == f"Rename the {drum} …"
    for key in ("Enter", "End", "Enter"):  # the last drum of the key
        page.page.keyboard.press(key)
    grid.settle()
    assert hits_of(kernel, drum) == 0
    says(page, f"{drum} → pedal hi-hat")
    assert grid.evaluate("return document.activeElement === view.scroller")
    page.page.keyboard.press("Control+z")
    grid.settle()
    assert kernel.value(ALL) == at_first
    page.page.keyboard.press("Escape")
    expect(page.page.get_by_role("region", name="Drums")).to_be_hidden()


def test_only_what_is_framed_or_selected_is_meant(draft):
    page, grid, kernel = draft
    grid.press("Shift+H")
    kicks = "[sum(n.instrument == 'kick' for n in document.chart.bars[k].notes) for k in range(len(document.chart))]"
    before = kernel.value(kicks)
    grid.evaluate("view.select([2, 4])")
    grid.drawn()
    assert line_of(page, "kick").startswith(f"{sum(before[2:5])} hits")
    page.page.get_by_role("button", name="Take all of the kick out").click()
    grid.settle()
    assert kernel.value(kicks) == [0 if 2 <= k <= 4 else n for k, n in enumerate(before)]
    grid.press("Control+z", "Escape", "Escape")
    grid.settle()
    grid.press("Shift+H")
    grid.point(1, 0, "kick")  # comes into view
    (x0, y0), (x1, y1) = grid.point(1, 3 / 16, "kick"), grid.point(1, 9 / 16, "kick")
    grid.drag((x0, y0 - 8), (x1, y1 + 8))
    framed = grid.evaluate("return [...view.chosen.values()].map((p) => p.at)")
    assert 0 < len(framed) < before[1]
    grid.drawn()
    assert line_of(page, "kick").startswith(f"{len(framed)} hits") and line_of(page, "snare") == "none"
    page.page.get_by_role("button", name="Take all of the kick out").click()
    grid.settle()
    assert kernel.value(kicks) == [n - len(framed) if k == 1 else n for k, n in enumerate(before)]


def test_the_clearest_strokes_of_a_drum_are_heard_one_after_the_other(draft):
    page, grid, kernel = draft
    grid.press("Shift+H")
    hear = page.page.get_by_role("button", name="Hear the snare")
    hear.click()
    grid.becomes("view.listener.state === 'playing' && view.listener.playing.passage.drum === 'snare'")
    assert grid.evaluate("return view.listener.context.state") == "running"
    expect(hear).to_have_text("Stop")
    says(page, r"^The clearest strokes of the snare: (bar \d+|the pick-up) on ")
    heard = grid.evaluate("""
        const [pieces] = [...view.listener.kept].filter(([key]) => key.startsWith("recording of snare"))
          .map(([, p]) => p);
        return pieces.flatMap(({ message, samples }) => [...samples].filter((_, k) => k % message.channels === 0));""")
    rate = grid.evaluate("return view.session.info.sample_rate")
    length, gap, onset = (round(x * rate) for x in (EXAMPLE_S, GAP_S, EXAMPLE_LEAD_S))
    each = np.abs(heard).reshape(MOST_EXAMPLES, length + gap)
    for one in each:  # the stroke stands out from what comes before it, and silence parts the examples
        assert one[onset : onset + rate // 20].max() > 2 * np.median(one[: onset // 2])
        assert not one[length:].any()
    hear.click()
    expect(hear).to_have_text("Hear")
    assert grid.evaluate("return view.listener.state") == "stopped"
    hear.click()
    expect(hear).to_have_text("Stop")
    expect(hear).to_have_text("Hear")  # it ends by itself
    grid.becomes("view.model.get('playing') === false")


def test_a_drum_that_is_mostly_in_doubt_is_told_once_beside_the_first_doubt(open_grid, screenshot):
    """Eight rides, six of them in doubt, none confirmed; half of the snares of the song are in doubt, too."""
    doubted = (
        SONG
        + """
ride = WrittenBar((Note(F(0), "ride", confidence=0.4), Note(F(1, 2), "ride", confidence=0.3)))
few = replace(ride, notes=tuple(replace(n, confidence=0.95) for n in ride.notes))
document = ChartDocument.create(replace(chart, bars=chart.bars[:12] + (ride,) * 3 + (few,)), "doubted.chart.json")
grid = HitGrid(document, recording=recording, hearing_hint=False)
workspace(grid)"""
    )
    page, grid, kernel = open_grid(doubted)
    grid.press("n")
    said = grid.text(".wbg-here")
    assert (
        said.startswith("Bar 1 — snare on 2")
        and "6 of the 8 rides and 12 of the 24 snares are in doubt: Drums (H)" in said
    )
    screenshot(page)
    for key in ("n", "Shift+N"):
        grid.press(key)
        assert "Drums (H)" not in grid.text(".wbg-here")


#: A chart in which three hits of a bar's eight "closed hi-hats" have another sound, in a recording of noise.
TWO_SOUNDS = (
    SONG.partition("\ngroove =")[0]
    + """
bar = WrittenBar(tuple(Note(F(k, 8), "closed hi-hat", 70, confidence=0.5) for k in range(8))
                 + (Note(F(1, 16), "kick", 100, confidence=0.95),))
chart = Chart(TimeMap.steady(16, 120, start_s=0.5), (bar,) * 16)
rate, rng = 44100, np.random.default_rng(7)
sounds = dict(zip(("hat", "clap", "kick"), rng.standard_normal((3, 2200)) * np.exp(-np.arange(2200) / 450)))
noise = 0.03 * rng.standard_normal(rate * 34)
CLAPS = {F(1, 4), F(3, 8), F(3, 4)}
for k, note in chart.notes():
    at = round(chart.note_time_s(k, note) * rate)
    sound = "kick" if note.instrument == "kick" else "clap" if note.position in CLAPS else "hat"
    noise[at:at + 2200] += 0.2 * sounds[sound]
document = ChartDocument.create(chart, "two sounds.chart.json")
grid = HitGrid(document, recording=Audio(np.clip(noise, -1, 1).astype(np.float32), rate), hearing_hint=False)
workspace(grid)"""
)


def test_each_sound_of_a_drum_is_heard_seen_named_and_taken_out_by_itself(open_grid, screenshot):
    page, grid, kernel = open_grid(TWO_SOUNDS)
    grid.becomes("view.session.info.has_recording && view.session.info.sample_rate > 0")
    at_first, strokes = kernel.value(ALL), kernel.value(STROKES)
    page.page.get_by_role("button", name="Drums", exact=True).click()
    sounds = page.page.get_by_role("list", name="Sounds of the closed hi-hat").get_by_role("listitem")
    words = sounds.locator(".wbg-sound")
    # They come folded, so that no line moves under the pointer.  The kick has one.
    expect(page.page.locator(".wbg-fold")).to_have_count(1)
    assert line_of(page, "closed hi-hat") == "128 hits, 128 in doubt" and line_of(page, "kick") == "16 hits"
    fold = page.page.get_by_role("button", name="Sounds of the closed hi-hat: 2 sounds")
    expect(fold).to_have_class(re.compile("wbg-doubted"))  # each of them is in doubt
    fold.click()
    expect(words).to_have_text(["sound 1: 80 hits, 80 in doubt", "sound 2: 48 hits, 48 in doubt"])
    # Seen: its hits are chosen in the grid, and the lines are for them; once more lets go.
    words.nth(1).click()
    grid.drawn()
    chosen = "[...view.chosen.values()].map((p) => [p.bar, p.at])"
    claps = [[k, at] for k in range(16) for at in ("1/4", "3/8", "3/4")]
    assert grid.evaluate(f"return {chosen}") == claps
    expect(words).to_have_text(["sound 1: none", "sound 2: 48 hits, 48 in doubt"])
    expect(words.nth(1)).to_have_attribute("aria-pressed", "true")
    screenshot(page, "drum-sounds")
    # Heard: only its own strokes, and the other one whatever is chosen.
    for label, places in (("sound 1", r" on (1|the & of \d|3)"), ("sound 2", r" on (2|the & of 2|4)")):
        hear = page.page.get_by_role("button", name=f"Hear {label} of the closed hi-hat")
        hear.click()
        says(
            page,
            rf"^The clearest strokes of {label} of the closed hi-hat: (bar \d+{places}(, |\.$)){{{MOST_EXAMPLES}}}$",
        )
        expect(hear).to_have_text("Stop")
        hear.click()
        expect(hear).to_have_text("Hear")
    words.nth(1).click()
    grid.drawn()
    assert grid.evaluate("return view.chosen.size") == 0
    # Named: one step, these hits alone, and no stroke moves.
    page.page.get_by_role("button", name="Rename sound 2 of the closed hi-hat …").click()
    page.page.get_by_role("menuitem", name="hand clap", exact=True).click()
    grid.settle()
    says(page, r"^48 hits: closed hi-hat → hand clap\.$")
    named = kernel.value("[[k, str(n.position)] for k, n in document.chart.notes() if n.instrument == 'hand clap']")
    assert named == claps and hits_of(kernel, "closed hi-hat") == 80
    assert kernel.value(STROKES) == strokes
    expect(words).to_have_text(["sound 1: 80 hits, 80 in doubt", "sound 2: none"])
    page.page.get_by_role("button", name="Take all of sound 1 of the closed hi-hat out").click()
    grid.settle()
    assert (hits_of(kernel, "closed hi-hat"), hits_of(kernel, "hand clap")) == (0, 48)
    grid.press("Control+z", "Control+z")
    grid.settle()
    assert kernel.value(ALL) == at_first
    expect(words).to_have_text(["sound 1: 80 hits, 80 in doubt", "sound 2: 48 hits, 48 in doubt"])
    # In other bars the places are others: they are told anew.
    grid.evaluate("view.session.edit({ edit: 'change level', factor: '1/2' })")
    grid.settle()
    expect(words).to_have_text(["sound 1: 80 hits, 80 in doubt", "sound 2: 48 hits, 48 in doubt"])
    words.nth(1).click()
    grid.drawn()
    bars = kernel.value("len(document.chart)")
    assert grid.evaluate(f"return {chosen}.map(([bar]) => bar)") == [k for k in range(bars) for _ in range(48 // bars)]


def test_the_sounds_of_a_drum_are_folded_and_the_keyboard_opens_them(open_grid):
    surer = TWO_SOUNDS.replace("confidence=0.5", "confidence=0.95")
    page, grid, kernel = open_grid(surer)
    grid.press("Shift+H")
    fold = page.page.get_by_role("button", name="Sounds of the closed hi-hat")
    expect(fold).to_have_attribute("aria-expanded", "false")
    expect(fold).not_to_have_class(re.compile("wbg-doubted"))
    sounds = page.page.get_by_role("list", name="Sounds of the closed hi-hat")
    expect(sounds).to_be_hidden()
    fold.focus()
    page.page.keyboard.press("Enter")
    expect(sounds).to_be_visible()
    page.page.keyboard.press("Tab")  # over the drum's own acts
    for _ in range(3):
        page.page.keyboard.press("Tab")
    focused = "document.activeElement.getAttribute('aria-label')"
    assert grid.evaluate(f"return {focused}") == "closed hi-hat, sound 1: 80 hits"
    page.page.keyboard.press("Enter")
    grid.drawn()
    assert grid.evaluate("return view.chosen.size") == 80
    assert grid.evaluate(f"return {focused}") == "closed hi-hat, sound 1: 80 hits"
    page.page.keyboard.press("Escape")
