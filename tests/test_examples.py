"""Every example in a docstring of the product runs as it stands there."""

import doctest
import importlib
from pathlib import Path

import pytest

import workbench

PACKAGE = Path(workbench.__file__).parent
MODULES = sorted(
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
    if "training" not in path.parts and "\n    >>> " in path.read_text("utf8")
)


@pytest.mark.slow
@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    module = importlib.import_module(name)
    examples = [e for e in doctest.DocTestFinder().find(module) if e.examples]
    assert examples
    runner, said = doctest.DocTestRunner(), []
    for example in examples:
        runner.run(example, out=said.append)
    assert runner.failures == 0, "".join(said)
