"""A real JupyterLab with a real kernel, and notebooks in it, for tests in a browser.

Nothing waits a fixed time for something to happen: a busy machine needs longer, an idle one need not wait.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
import urllib.request
import uuid
from collections.abc import Callable, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import mkdtemp
from urllib.parse import quote

from workbench.commands.lab import PROMPT, QUIET

#: Where Chromium lies on Debian and Ubuntu.
CHROMIUM_PLACES = ("/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome")
CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
#: What happens at all happens within this, seconds: far more than it takes on a machine that is busy with other things.
PATIENCE_S = 120
_SERVER = {"ServerApp": {"allow_root": True, "port_retries": 0}, "LabApp": {"expose_app_in_browser": True}}
_QUIET = {"fetchNews": "false", "checkForUpdates": False, "doNotDisturbMode": True}


def find_chromium() -> str:
    """Path of Chromium; fails with what to install where there is none."""
    for place in CHROMIUM_PLACES:
        if Path(place).exists():
            return place
    raise AssertionError(
        "These tests need the Chromium browser: install it with 'apt-get install chromium' "
        "(Debian, Ubuntu) and run them again."
    )


class Lab:
    """A JupyterLab server on a folder, apart from the user's own settings.

    ``command`` starts it otherwise: given the folder that is its root and the port, the words to run.  Not ``prompt``,
    it sends what a kernel says as a server does that ``workbench lab`` has not started.
    """

    def __init__(self, folder: Path, command: Callable | None = None, prompt: bool = True) -> None:
        self.folder = folder
        self.root = folder / "root"
        self.root.mkdir(parents=True)
        self.token = uuid.uuid4().hex
        self.port = _free_port()
        homes = {
            name: folder / name.lower()
            for name in (
                "HOME",
                "JUPYTER_CONFIG_DIR",
                "JUPYTER_DATA_DIR",
                "JUPYTER_RUNTIME_DIR",
                "JUPYTERLAB_SETTINGS_DIR",
                "JUPYTERLAB_WORKSPACES_DIR",
            )
        }
        for path in homes.values():
            path.mkdir()
        settings = homes["JUPYTERLAB_SETTINGS_DIR"] / "@jupyterlab"
        self._write_settings(settings / "apputils-extension/notification.jupyterlab-settings", _QUIET)
        self.runtime = homes["JUPYTER_RUNTIME_DIR"]
        self._write_settings(homes["JUPYTER_CONFIG_DIR"] / "jupyter_server_config.json", _SERVER)
        # The user's own Jupyter settings stay out.
        environment = {k: v for k, v in os.environ.items() if not k.startswith("JUPYTER")}
        environment |= {name: str(path) for name, path in homes.items()} | {"JUPYTER_TOKEN": self.token}
        if command is None:
            words = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--port={self.port}"]
            words += [f"--ServerApp.root_dir={self.root}", *QUIET, *[PROMPT] * prompt]
        else:
            words = command(self.root, self.port)
            environment.pop("PYTHONPATH", None)
            environment["IPYTHONDIR"] = environment["HOME"]
        self.log = open(folder / "server.log", "w")
        self.process = subprocess.Popen(
            words, env=environment, cwd=self.root, stdout=self.log, stderr=subprocess.STDOUT
        )
        self._wait_until_ready()

    @staticmethod
    def _write_settings(path: Path, settings: dict) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(settings))

    def _wait_until_ready(self, patience_s: float = PATIENCE_S) -> None:
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            if self.process.poll() is not None:
                raise AssertionError(f"JupyterLab did not start; see {self.log.name}.")
            try:
                self.api("status")
                return
            except OSError:
                time.sleep(0.1)
        raise AssertionError(f"JupyterLab did not answer; see {self.log.name}.")

    def api(self, path: str):
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}/api/{path}", headers={"Authorization": f"token {self.token}"}
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.log.close()

    def write_notebook(self, name: str, cells: list[str]) -> Path:
        import nbformat

        notebook = nbformat.v4.new_notebook(
            cells=[nbformat.v4.new_code_cell(c) for c in cells],
            metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}},
        )
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        nbformat.write(notebook, path)
        return path

    def url(self, notebook: str = "") -> str:
        if not notebook:  # what it opens by itself
            return f"http://127.0.0.1:{self.port}/?token={self.token}"
        return (
            f"http://127.0.0.1:{self.port}/lab/workspaces/{uuid.uuid4().hex[:12]}/tree/{quote(notebook)}"
            f"?reset&token={self.token}"
        )

    def kernel_of(self, notebook: str) -> Kernel:
        for session in self.api("sessions"):
            if session["path"] == notebook:
                return Kernel(self.runtime / f"kernel-{session['kernel']['id']}.json", session["kernel"]["id"])
        raise AssertionError(f"No kernel runs for {notebook}.")


class Kernel:
    """A second client of a notebook's kernel, to look at Python's side."""

    def __init__(self, connection_file: Path, kernel_id: str) -> None:
        from jupyter_client import BlockingKernelClient

        self.id = kernel_id
        self.client = BlockingKernelClient(connection_file=str(connection_file))
        self.client.load_connection_file()
        self.client.start_channels()

    def value(self, expression: str):
        """A value of the notebook's namespace (numbers, texts, lists)."""
        answer = self.client.execute(
            "", user_expressions={"x": f"__import__('json').dumps({expression})"}, reply=True, timeout=PATIENCE_S
        )
        result = answer["content"]["user_expressions"]["x"]
        assert result["status"] == "ok", result
        return json.loads(eval(result["data"]["text/plain"]))

    def run(self, code: str) -> None:
        answer = self.client.execute(code, reply=True, timeout=PATIENCE_S)
        assert answer["content"]["status"] == "ok", answer["content"]

    def becomes(self, expression: str, wanted) -> None:
        """Wait until a value is as wanted."""
        end = time.monotonic() + PATIENCE_S
        while (found := self.value(expression)) != wanted:
            assert time.monotonic() < end, found
            time.sleep(0.02)

    @contextmanager
    def busy(self, folder: Path):
        """While the block runs, the kernel runs a cell."""
        go, begun = (folder / f"{what}-{uuid.uuid4().hex}" for what in ("go", "begun"))
        self.start(
            f"import time, pathlib\npathlib.Path({str(begun)!r}).touch()\n"
            f"while not pathlib.Path({str(go)!r}).exists(): time.sleep(0.02)"
        )
        end = time.monotonic() + PATIENCE_S
        while not begun.exists():
            assert time.monotonic() < end, "the cell did not begin"
            time.sleep(0.02)
        try:
            yield
        finally:
            go.touch()

    def start(self, code: str) -> None:
        """Run code without waiting for its end."""
        self.client.execute(code)

    def close(self) -> None:
        self.client.stop_channels()


class Page:
    """A notebook in the browser."""

    def __init__(self, browser_context, lab: Lab, notebook: str = "") -> None:
        self.lab, self.notebook = lab, notebook
        browser_context.set_default_timeout(1000 * PATIENCE_S)
        self.page = browser_context.new_page()
        self.problems: list[str] = []
        self.page.on("pageerror", lambda error: self.problems.append(error.stack or str(error)))
        self.page.on(
            "console", lambda m: self.problems.append(m.text) if m.type == "error" and "wbg" in m.text else None
        )
        self.page.goto(lab.url(notebook))
        self.wait_for_lab()

    def wait_for_lab(self) -> None:
        self.page.wait_for_function("window.jupyterapp && window.jupyterapp.restored")
        self.page.evaluate("() => window.jupyterapp.restored.then(() => true)")
        self.page.wait_for_selector(".jp-CodeCell")
        self.page.wait_for_function(
            """() => {
            const kernel = window.jupyterapp.shell.currentWidget?.context?.sessionContext?.session?.kernel;
            return kernel && kernel.status === "idle";
        }"""
        )

    def run_all(self) -> None:
        assert self.page.evaluate("() => window.jupyterapp.commands.execute('notebook:run-all-cells')"), (
            "a cell of the notebook failed"
        )

    def dismiss_dialogs(self) -> None:
        """Close what JupyterLab asks or tells in between (a kernel that died, say)."""
        self.page.wait_for_timeout(500)
        while self.page.locator(".jp-Dialog .jp-Dialog-button").count():
            self.page.locator(".jp-Dialog .jp-Dialog-button").last.click()
            self.page.wait_for_timeout(300)

    def wait_for_grid(self, count: int = 1) -> None:
        self.page.wait_for_function(
            "(n) => [...document.querySelectorAll('.wbg')].filter((e) => e.dataset.painted).length >= n", arg=count
        )

    def grid(self, index: int = 0) -> Grid:
        return Grid(self, index)

    def close(self) -> None:
        self.page.close()


class Desk:
    """A notebook's page and kernel on which tests lay their own cells, one after the other."""

    def __init__(self, lab: Lab, browser_context) -> None:
        self.lab, self.context = lab, browser_context
        self.page: Page | None = None

    def lay(self, cells: Sequence[str]) -> Page:
        """Cells instead of all that was there, to run in a folder of their own; a new page if the last is closed."""
        folder = mkdtemp(dir=self.lab.root)
        if self.page is None or self.page.page.is_closed():
            notebook = f"desk-{uuid.uuid4().hex[:8]}.ipynb"
            self.lab.write_notebook(notebook, [""])
            self.page = Page(self.context, self.lab, notebook)
        with closing(self.lab.kernel_of(self.page.notebook)) as kernel:
            kernel.run("__import__('ipywidgets').Widget.close_all()\nget_ipython().reset(new_session=False)")
        self.page.page.evaluate(
            """(sources) => {
            const { content, model } = window.jupyterapp.shell.currentWidget;
            const cells = sources.map((source) => ({ cell_type: "code", source, metadata: {} }));
            model.sharedModel.deleteCellRange(0, model.sharedModel.cells.length);
            model.sharedModel.insertCells(0, cells);
            content.activeCellIndex = 0;
            content.mode = "command";
            content.activate();
        }""",
            [f"%cd -q {folder}\n{cells[0]}", *cells[1:]],
        )
        self.page.page.wait_for_function("() => !document.querySelector('.wbg, .wbs, .jp-OutputArea-output')")
        return self.page


class Grid:
    """One grid in a page: finds places, acts with real mouse and keys."""

    def __init__(self, page: Page, index: int) -> None:
        self.page, self.index = page.page, index
        self.sheet = self.page.locator(".wbg-sheet").nth(index)

    def evaluate(self, body: str, argument=None):
        """Run a function body with ``view`` and ``x`` in the page."""
        return self.page.evaluate(
            "([index, x]) => { const view = document.querySelectorAll('.wbg')[index].hitGrid; " + body + " }",
            [self.index, argument],
        )

    def point(self, bar: int, position: float, instrument: str) -> tuple[float, float]:
        """Pixel of a place on the page, scrolled into view."""
        # As a hand on the mouse does, this ends that a new grid brings itself into view.
        self.page.evaluate("() => document.dispatchEvent(new Event('wheel'))")
        self.sheet.scroll_into_view_if_needed()
        self.evaluate("view.scrollToBar(x)", bar)
        self.painted()
        x, y = self.evaluate(
            """
            const box = view.scroller.getBoundingClientRect();
            const [bar, position, instrument] = x;
            const line = view.sheet.lines.find((l) => bar >= l.first && bar < l.last);
            const px = line.bars[bar - line.first].x + position * line.scale;
            const row = view.rowOf.get(instrument);
            const py = line.y + view.sheet.rowTops[row] + view.sheet.rowHeights[row] / 2 - view.scroller.scrollTop;
            return [box.left + px, box.top + py];""",
            [bar, position, instrument],
        )
        return x, y

    def click(self, bar: int, position: float, instrument: str, **options) -> None:
        keys = options.pop("modifiers", [])
        x, y = self.point(bar, position, instrument)
        for key in keys:
            self.page.keyboard.down(key)
        self.page.mouse.click(x, y, **options)
        for key in keys:
            self.page.keyboard.up(key)

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        self.page.mouse.move(*start)
        self.page.mouse.down()
        self.page.mouse.move((start[0] + end[0]) / 2, (start[1] + end[1]) / 2, steps=4)
        self.page.mouse.move(*end, steps=4)
        self.page.mouse.up()

    def press(self, *keys: str) -> None:
        self.sheet.focus()
        for key in keys:
            self.page.keyboard.press(key)

    def settle(self) -> None:
        """Wait until Python has answered every edit and the page has drawn the answer."""
        self.page.wait_for_function(
            "(index) => document.querySelectorAll('.wbg')[index].hitGrid.session.pending.length === 0", arg=self.index
        )
        self.drawn()

    def painted(self) -> None:
        """Wait until the page has drawn what it knows."""
        self.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def becomes(self, condition: str, argument=None) -> None:
        """Wait until something is true of ``view`` and ``x``."""
        self.page.wait_for_function(
            f"([index, x]) => {{ const view = document.querySelectorAll('.wbg')[index].hitGrid; return {condition}; }}",
            arg=[self.index, argument],
        )

    def theme(self, name: str) -> None:
        """Choose JupyterLab's theme and wait until the grid is drawn in it."""
        self.page.evaluate("(t) => window.jupyterapp.commands.execute('apputils:change-theme', {theme: t})", name)
        is_light = "document.body.dataset.jpThemeLight === 'true'"
        self.becomes(
            f"document.body.dataset.jpThemeName === x && (view.palette.paper.match(/\\d+/)[0] > 128) === ({is_light})",
            name,
        )
        self.drawn()

    def drawn(self) -> None:
        """Wait until the page has drawn and done what it does when idle."""
        self.painted()
        self.page.wait_for_function(
            "(index) => !document.querySelectorAll('.wbg')[index].hitGrid.idle?.size", arg=self.index
        )

    def has(self, bar: int, at: str, instrument: str) -> bool:
        return self.evaluate(
            "return view.session.confirmed.bars[x[0]].notes.some((n) => n.at === x[1] && n.instrument === x[2])",
            [bar, at, instrument],
        )

    def text(self, selector: str) -> str:
        """What is read there once the page has drawn."""
        self.drawn()
        return self.page.locator(selector).nth(self.index).inner_text()


def _free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]
