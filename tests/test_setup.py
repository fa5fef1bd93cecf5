"""The set-up files agree with each other: one list of dependencies, pinned and licensed."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf8"))["project"]


def names(requirements):
    return {re.match(r"[\w.-]+", r)[0].lower().replace("_", "-") for r in requirements}


PRODUCT = names(PROJECT["dependencies"])
EXTRAS = PROJECT["optional-dependencies"]
DEVELOPMENT = names(EXTRAS["dev"])
#: What the product uses where it is installed.
OPTIONAL = names(EXTRAS["cluster"]) | names(EXTRAS["parquet"]) | names(EXTRAS["film"])


def test_conda_installs_the_same_list():
    text = (ROOT / "environment.yml").read_text("utf8")
    assert "- -e .[dev]" in text and "- -c constraints.txt" in text
    python = PROJECT["requires-python"].removeprefix(">=")
    assert f"python={python}" in text
    assert not [n for n in PRODUCT | DEVELOPMENT if re.search(rf"^\s*- {re.escape(n)}\b", text, re.M)]


def test_every_dependency_is_pinned():
    pins = (ROOT / "constraints.txt").read_text("utf8")
    pinned = {line.split("==")[0].lower().replace("_", "-") for line in pins.splitlines() if "==" in line}
    assert PRODUCT | DEVELOPMENT <= pinned
    assert "://" not in pins and "@" not in pins


def test_every_dependency_has_its_licence_listed():
    notice = (ROOT / "NOTICE.md").read_text("utf8")
    listed = {m.lower().replace("_", "-") for m in re.findall(r"^\| ([\w-]+)", notice, re.M)}
    assert PRODUCT | DEVELOPMENT <= listed
    tables = "\n".join(line for line in notice.splitlines() if line.startswith("|"))
    assert not re.search(r"\bNC\b|CC BY-NC", tables)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_documents_name_only_targets_and_files_that_exist(document):
    text = (ROOT / document).read_text("utf8")
    targets = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text("utf8"), re.M))
    assert set(re.findall(r"`make ([a-z-]+)", text)) <= targets
    for path in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / path).exists(), f"{document} links to {path}"


def test_the_product_imports_only_what_it_depends_on():
    """Every package imported by the product is in a list of its own, not merely brought along by another."""
    imported = set()
    for path in (ROOT / "workbench").rglob("*.py"):
        if "training" in path.parts:
            continue
        for node in ast.walk(ast.parse(path.read_text("utf8"))):
            if isinstance(node, ast.Import):
                imported |= {a.name.split(".")[0] for a in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                imported.add(node.module.split(".")[0])
    by_import = packages_distributions()
    outside = {i for i in imported if i not in sys.stdlib_module_names and i != "workbench"}
    owners = {i: {d.lower().replace("_", "-") for d in by_import[i]} for i in outside}
    assert not {i for i, dists in owners.items() if not dists & (PRODUCT | OPTIONAL)}
    assert OPTIONAL <= DEVELOPMENT, "tests have what they need"
