"""One name, one thing: no two constants of one name with different values, no two classes of one name."""

import ast
from collections import defaultdict
from pathlib import Path

import pytest

import workbench

PACKAGE = Path(workbench.__file__).parent
#: What every subcommand says of itself under the same names.
PROTOCOL = {"NAME", "HELP"}


def constants(tree: ast.Module):
    """(name, value as source) of each constant of a module; of several at once each with its own."""
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        for target in targets:
            pairs = [(target, getattr(node, "value", None))]
            if isinstance(target, ast.Tuple):
                values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value] * len(target.elts)
                pairs = list(zip(target.elts, values, strict=True))
            for name, value in pairs:
                if isinstance(name, ast.Name) and name.id.isupper() and value is not None:
                    yield name.id, ast.unparse(value)


def classes(tree: ast.Module):
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            yield node.name, None


@pytest.mark.parametrize("things", [constants, classes])
def test_no_name_means_two_things(things):
    found = defaultdict(lambda: defaultdict(list))
    for path in sorted(PACKAGE.rglob("*.py")):
        module = str(path.relative_to(PACKAGE))
        for name, value in things(ast.parse(path.read_text("utf8"))):
            found[name][module if value is None else value].append(module)
    twice = {
        name: sorted({m for modules in values.values() for m in modules})
        for name, values in found.items()
        if len(values) > 1 and name not in PROTOCOL
    }
    assert not twice, "\n".join(f"{k}: {v}" for k, v in twice.items())
