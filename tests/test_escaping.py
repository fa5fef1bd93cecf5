"""Texts of others are shown, never obeyed: on a terminal, on a page of Markdown, in an error."""

import html
import json
import re

import mistune
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import parts
from workbench.commands.cli import main
from workbench.errors import LONGEST_MESSAGE, WorkbenchError
from workbench.escaping import for_markdown, for_terminal, whole_text
from workbench.files.chartfile import dumps_chart, read_chart
from workbench.pictures import draw_bars
from workbench.reading.plot import draw_form, draw_groove
from workbench.reading.read import read_part

CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
texts = st.text(st.characters(codec=None))  # halves of surrogate pairs too


@given(texts)
def test_a_terminal_gets_nothing_to_obey(text):
    assert not CONTROLS.search(for_terminal(text))


@given(texts)
def test_whole_texts_can_be_written(text):
    assert whole_text(whole_text(text).encode("utf-8").decode("utf-8")) == whole_text(text)


@given(texts)
def test_errors_are_one_short_line_without_control_characters(text):
    said = str(WorkbenchError(f"{text} is no chart; choose another."))
    assert len(said) <= LONGEST_MESSAGE and "\n" not in said and not CONTROLS.search(said)
    assert said.endswith("choose another.")


@given(st.text(st.sampled_from("a1 ._*`[]()<>!&;#|~\\-+=\"'\x1b\n")))
def test_markdown_shows_a_text_and_nothing_else(text):
    """Rendered by another program (mistune) it is one paragraph of that text."""
    page = mistune.html(f"{for_markdown(text)}\n")
    assert html.unescape(re.sub(r"^<p>|</p>\s*$", "", page)) == " ".join(for_terminal(text).split())


HOSTILE = "<img src=x onerror=alert(1)> ![](http://127.0.0.1/x) \x1b[31mred \ud800 $x_{$ ||"


@pytest.fixture
def hostile_chart(tmp_path):
    """A chart file whose every text means harm."""
    chart = parts.part(*[parts.ROCK] * 3, parts.FILL, *[parts.RIDE] * 4)
    data = json.loads(dumps_chart(chart))
    data["chart"] |= {
        "title": HOSTILE,
        "artist": HOSTILE,
        "sections": [{"bar_index": 0, "name": HOSTILE, "label": "<A>"}],
        "texts": [{"bar_index": 1, "at": "0", "text": HOSTILE}],
        "marks": [{"kind": "note", "start": [0, "0"], "end": [1, "0"], "text": HOSTILE, "confirmed": True}],
    }
    path = tmp_path / "hostile.chart.json"
    path.write_text(json.dumps(data))
    return path


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:Glyph")  # a font lacks the sign; it is drawn as a box
def test_hostile_texts_are_read_and_drawn_as_texts(hostile_chart, tmp_path, capsys):
    assert main(["read", str(hostile_chart)]) == 0
    page = capsys.readouterr().out
    assert "red" in page and not CONTROLS.search(page)
    shown = mistune.html(page)
    assert "<img" not in shown and "&lt;img" in shown
    assert main(["read", str(hostile_chart), "--against", str(hostile_chart), "--json"]) == 0
    assert not CONTROLS.search(capsys.readouterr().out)
    assert main(["read", str(hostile_chart), "--out", str(tmp_path), "--mark", "--sticking"]) == 0
    assert main(["score", str(hostile_chart), "--to", "pdf,musicxml,midi,svg", "--road-map"]) == 0
    assert "<img" not in hostile_chart.with_name("hostile.svg").read_text("utf-8")
    reading = read_part(read_chart(hostile_chart))
    for picture in (draw_form(reading), draw_groove(reading), draw_bars(reading.chart).figure):
        picture.savefig(tmp_path / "picture.png")


def test_names_given_on_the_command_line_may_be_any_bytes(hostile_chart, capsys):
    assert main(["score", str(hostile_chart), "--to", "pdf", "--title", "Caf\udce9 \x1b[2J"]) == 0
    assert main(["read", "nowhere/\x1b[2J\udce9.chart.json"]) == 2
    said = capsys.readouterr()
    assert not CONTROLS.search(said.out + said.err)
