"""Pages from templates, which lie as files beside the modules that fill them."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.escaping import for_markdown

if TYPE_CHECKING:
    from jinja2 import Environment


def filled(template: str, **values: Any) -> str:
    """The text of a template with what is to be told; in HTML and SVG every text stays text, in Markdown what goes
    through the filter ``markdown``.

    Parameters
    ----------
    template : str
        Its path within the package, such as "checking/page/report.html".
    **values
        What the template calls by these names.
    """
    return _templates().get_template(template).render(values)


def script_data(data: Any) -> str:
    r"""Data as JSON for a script element: no text in it can end the element or hide its end (HTML Living Standard,
    "Restrictions for contents of script elements").

    Examples
    --------
    >>> print(script_data(["</script>"]))
    ["\u003c/script>"]
    """
    return json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")


@cache
def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

    templates = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=select_autoescape(("html", "svg")),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    templates.filters["markdown"] = for_markdown
    return templates
