"""Templates of pages: texts stay texts, and what a template needs must be given."""

import pytest
from jinja2 import UndefinedError

from workbench.templates import filled


def test_texts_stay_texts_in_html_and_svg():
    page = filled("practice/page/index.html", title="<script>& more")
    assert "&lt;script&gt;&amp; more: practice pack" in page
    picture = filled("checking/page/overview.svg", squares=[("<1>", 0, "#fff", "#000")], a_row=16)
    assert "&lt;1&gt;" in picture and "<1>" not in picture


def test_what_is_not_given_is_a_fault_and_no_gap():
    with pytest.raises(UndefinedError):
        filled("practice/page/index.html")
