"""Paper by typst: texts are data, the same paper each time."""

import re

import pytest

from workbench.engraving.typeset import typeset

DATA = {"title": '#panic("no") <b> $x$', "one_page": True, "blocks": [["lead", "*not bold*"], ["quiet", "#1"]]}


def test_texts_are_data_and_never_code():
    pdf = typeset("checking/page/report.typ", DATA)
    assert pdf.startswith(b"%PDF") and re.search(rb"/Type\s*/Pages\s*/Count 1", pdf)


def test_a_template_that_is_none_is_no_silence():
    with pytest.raises(FileNotFoundError):
        typeset("checking/page/none.typ", DATA)
