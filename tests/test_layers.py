"""Imports point down the layers only, and every module has its place."""

import ast
from pathlib import Path

import workbench

PACKAGE = Path(workbench.__file__).parent

#: Layer of every module, or of all modules of a folder; a module may import its own layer or lower.
LAYERS = {
    1: "errors progress cautions drumkit meter events flams activations chart edits chartdata",
    2: """
        files
        notation.musicxml notation.musicxml_notes notation.musicxml_part notation.musicxml_read
        notation.midi notation.midi_grid notation.midi_notes notation.midi_read notation.kitnames
        notation.notevalues notation.abbreviations notation.excerpts notation.swing notation.scoresigns
        notation.fillsigns
    """,
    3: """
        listening.features listening.weights listening.detect listening.spectral listening.harmony listening.bars
        listening.beats listening.quantize listening.onsets
        reading.doubts reading.patterns reading.counting reading.form reading.grooves reading.groove_names
        reading.variations
        reading.fill_model reading.fills reading.fill_reading reading.sticking reading.feel reading.part_reading
        reading.wording reading.read reading.versions
        checking.compare checking.barpath checking.laidbars checking.alignment checking.laidchart
    """,
    4: """
        listening.draft listening.evaluate engraving notation.scorefiles practice
        checking.hearing checking.findings checking.judging checking.check checking.check_report checking.differing
        checking.playing checking.take checking.take_words checking.take_report checking.reportpage
    """,
    5: "plot reading.plot checking.checklist grid cli commands",
}
LAYER_OF = {name: layer for layer, names in LAYERS.items() for name in names.split()}
#: Not imported by the product; may import anything.
APART = {"training"}


def place(module: str) -> str:
    """The module or folder by which :data:`LAYERS` knows a module."""
    folder = module.split(".")[0]
    return folder if folder in LAYER_OF or folder in APART else ".".join(module.split(".")[:2])


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


MODULES = {name_of(path): path for path in PACKAGE.rglob("*.py")}
del MODULES["__init__"]
#: Folders whose modules have different layers hold nothing but a docstring of their own.
MIXED = {name.split(".")[0] for name in LAYER_OF if "." in name}


def imported_modules(path: Path) -> set[str]:
    """Modules of the workbench that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            if node.module == "workbench":
                found |= {a.name for a in node.names}
            elif node.module.startswith("workbench."):
                module = node.module.removeprefix("workbench.")
                below = {f"{module}.{a.name}" for a in node.names} & MODULES.keys()
                found |= below or {module}
        elif isinstance(node, ast.Import):
            found |= {a.name.removeprefix("workbench.") for a in node.names if a.name.startswith("workbench.")}
    return {f for f in found if not f.startswith("__")} - MIXED


def test_every_module_has_a_layer():
    assert {place(name) for name in MODULES.keys() - MIXED} - APART <= LAYER_OF.keys()


def test_folders_of_several_layers_import_nothing():
    for folder in MIXED:
        assert len(ast.parse(MODULES[folder].read_text("utf8")).body) == 1


def test_imports_point_down():
    wrong = []
    for name, path in MODULES.items():
        if place(name) in APART or name in MIXED:
            continue
        for other in imported_modules(path):
            if place(other) in APART or LAYER_OF.get(place(other), 9) > LAYER_OF[place(name)]:
                wrong.append(f"{name} imports {other}")
    assert not wrong


def test_no_cycles():
    graph: dict[str, set[str]] = {}
    for name, path in MODULES.items():
        if name not in MIXED:
            graph.setdefault(place(name), set()).update(place(m) for m in imported_modules(path))
    graph = {name: others - {name} for name, others in graph.items()}
    done: set[str] = set()
    while graph.keys() - done:
        ready = {n for n in graph.keys() - done if graph[n] & graph.keys() <= done}
        assert ready, f"cycle among {sorted(graph.keys() - done)}"
        done |= ready
