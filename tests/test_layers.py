"""Folders are floors: a module imports its own folder and lower floors only, so no folders form a ring."""

import ast
from pathlib import Path

import workbench

PACKAGE = Path(workbench.__file__).parent
#: From the ground up; folders on one floor do not import each other.
FLOORS = [
    "escaping",
    "errors progress cautions facts grouping templates",
    "chart shipped",
    "files",
    "notation sound",
    "reading",
    "listening engraving",
    "alignment evaluation scorefiles practice pictures",
    "checking grid",
    "frontdoor",
    "commands",
    "__main__",
]
FLOOR_OF = {name: floor for floor, names in enumerate(FLOORS) for name in names.split()}
#: Imported by nothing in the product; may import anything.
APART = {"training", "__init__"}


def imported(path: Path) -> set[str]:
    """Folders, and modules beside them, that a module imports anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "workbench":
            names = node.module.split(".")[1:2] or [alias.name for alias in node.names]
            found |= {name for name in names if not name.startswith("__version")}
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("workbench.")}
    return found


def test_imports_point_down():
    wrong = []
    for path in PACKAGE.rglob("*.py"):
        module = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        folder = module.split(".")[0]
        if folder in APART:
            continue
        wrong += [
            f"{module} imports {other}"
            for other in imported(path) - {folder}
            if FLOOR_OF.get(other, 99) >= FLOOR_OF[folder]
        ]
    assert not wrong
