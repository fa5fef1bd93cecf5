"""Folders are floors: a module imports its own folder and lower floors only, so no folders form a ring."""

import ast
from collections import Counter
from pathlib import Path

import workbench
from workbench.commands.cli import COMMANDS

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
    "checking",
    "grid shelving",
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


def test_every_module_has_a_test_file_of_its_name():
    """test_MODULE.py; of a subcommand test_COMMAND_command.py; of a name in two folders test_FOLDER_MODULE.py."""
    modules = [m for path in PACKAGE.rglob("*.py") if (m := path.relative_to(PACKAGE)).parts[0] not in APART]
    names = Counter(m.stem for m in modules if m.stem not in COMMANDS or m.parent.name != "commands")
    have = {path.stem for path in Path(__file__).parent.rglob("test_*.py")}
    missing = []
    for m in modules:
        own = f"{m.parent.name}_{m.stem}" if names[m.stem] > 1 else m.stem
        if m.parent.name == "commands" and m.stem in COMMANDS:
            own = f"{m.stem}_command"
        if not m.stem.startswith("__") and f"test_{own}" not in have:
            missing.append(str(m))
    assert not missing
