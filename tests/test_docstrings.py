"""Whatever the product offers says what it is: modules, public functions and classes, their public methods.

A property of one line (its name says it) needs no sentence; a method may leave it to the class it comes from.
"""

import importlib
import inspect
import pkgutil

import pytest

import workbench

MODULES = sorted(
    found.name
    for found in pkgutil.walk_packages(workbench.__path__, "workbench.")
    if not found.name.startswith("workbench.training") and not found.name.endswith(("__main__", ".weights"))
)


def _unsaid(module):
    if not module.__doc__:
        yield module.__name__
    for name, thing in vars(module).items():
        if name.startswith("_") or getattr(thing, "__module__", None) != module.__name__ or not callable(thing):
            continue
        if not inspect.getdoc(thing):
            yield name
        for part in vars(thing) if inspect.isclass(thing) else ():
            if not part.startswith("_") and not _says(inspect.getattr_static(thing, part), getattr(thing, part, None)):
                yield f"{name}.{part}"


def _says(raw, method):
    if isinstance(raw, property):
        return bool(raw.__doc__) or len(inspect.getsource(raw.fget).splitlines()) <= 3
    return not inspect.isroutine(method) or bool(inspect.getdoc(method))


@pytest.mark.slow
@pytest.mark.parametrize("name", MODULES)
def test_all_that_is_public_is_documented(name):
    assert list(_unsaid(importlib.import_module(name))) == []


def test_every_function_of_the_front_door_has_an_example():
    offered = {name: getattr(workbench, name) for name in workbench.__all__}
    assert [n for n, thing in offered.items() if inspect.isroutine(thing) and ">>> " not in inspect.getdoc(thing)] == []
