"""Imports point down the layers only, and every module has its place."""

import ast
from pathlib import Path

import workbench

PACKAGE = Path(workbench.__file__).parent

#: Layer of every module or subpackage; a module may import its own layer or lower.
LAYERS = {
    1: "errors drumkit meter events activations chart edits chartdata progress cautions",
    2: """
        safefile audiosource audio annotations chartfile journal document
        musicxml musicxml_notes musicxml_part musicxml_read midi midi_grid midi_read untrusted kitnames
        notevalues abbreviations excerpts swing scoresigns fillsigns
    """,
    3: """
        features weights detect spectral harmony bars beats quantize onsets
        patterns counting form grooves groove_names variations fill_model fills fill_reading sticking feel
        part_reading wording reading versions
        compare barpath laidbars alignment laidchart
    """,
    4: """
        draft evaluate engrave mei systems pages drawing roadmap scorefiles
        synthesis sound loudness stretch balance exercises practice practice_pages
        hearing findings judging check check_report playing take take_words take_report reportpage
    """,
    5: "plot reading_plot checklist grid cli commands",
}
LAYER_OF = {name: layer for layer, names in LAYERS.items() for name in names.split()}
#: Not imported by the product; may import anything.
APART = {"training"}


def imported_modules(path: Path) -> set[str]:
    """Names of workbench modules that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            if node.module == "workbench":
                found |= {a.name for a in node.names}
            elif node.module.startswith("workbench."):
                found.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("workbench.")}
    return {f for f in found if not f.startswith("__")}


def modules() -> dict[str, list[Path]]:
    out: dict[str, list[Path]] = {}
    for path in PACKAGE.rglob("*.py"):
        name = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if name != "__init__":
            out.setdefault(name, []).append(path)
    return out


def test_every_module_has_a_layer():
    assert set(modules()) - APART <= set(LAYER_OF)


def test_imports_point_down():
    wrong = []
    for name, paths in modules().items():
        if name in APART:
            continue
        for path in paths:
            for other in imported_modules(path) - {name}:
                if other in APART or LAYER_OF.get(other, 9) > LAYER_OF[name]:
                    wrong.append(f"{path.relative_to(PACKAGE)} imports {other}")
    assert not wrong


def test_no_cycles():
    graph = {n: set().union(*(imported_modules(p) for p in ps)) - {n} for n, ps in modules().items()}
    done: set[str] = set()
    while graph.keys() - done:
        ready = {n for n in graph.keys() - done if graph[n] & graph.keys() <= done}
        assert ready, f"cycle among {sorted(graph.keys() - done)}"
        done |= ready
