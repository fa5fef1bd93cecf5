"""Templates of pages: texts stay texts, and what a template needs must be given."""

import json

import pytest
from jinja2 import UndefinedError

from workbench.templates import filled, script_data


def test_texts_stay_texts_in_html_and_svg():
    page = filled("practice/page/index.html", title="<script>& more")
    assert "&lt;script&gt;&amp; more: practice pack" in page
    picture = filled("checking/page/overview.svg", squares=[("<1>", "<1>", 0, "#fff", "#000")], a_row=16)
    assert "&lt;1&gt;" in picture and "<1>" not in picture


@pytest.mark.parametrize("text", ["</script>", "<!-- <script>", "</SCRIPT >", "Käse & \u2028"])
def test_data_of_a_script_stay_data(text):
    """The element is read by lxml, an HTML parser of its own (libxml2)."""
    from lxml import html

    page = html.fromstring(f"<body><script type='application/json'>{script_data([text])}</script><p>after</p></body>")
    assert json.loads(page.find(".//script").text) == [text] and page.findtext(".//p") == "after"
    assert "<" not in script_data([text])


def test_what_is_not_given_is_a_fault_and_no_gap():
    with pytest.raises(UndefinedError):
        filled("practice/page/index.html")
