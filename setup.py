"""The wheel carries the demo song and the notebooks in ``workbench/shipped``; all else stands in pyproject.toml."""

import shutil
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

SHIPPED = ("data/demo/*.ogg", "data/demo/*.chart.json", "notebooks/*.ipynb")


class BuildWithDemo(build_py):
    def run(self) -> None:
        super().run()
        if self.editable_mode:  # a checkout has them where they are made
            return
        for source in (path for pattern in SHIPPED for path in Path().glob(pattern)):
            target = Path(self.build_lib, "workbench", "shipped", source)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)


setup(cmdclass={"build_py": BuildWithDemo})
