"""The main path in Firefox: a click writes, keys change, undo takes back; driven by WebDriver BiDi (W3C)."""

import itertools
import json
import shutil
import subprocess
import time

import pytest
import websocket

from tests.browser.conftest import SONG
from tests.browser.lab import PATIENCE_S

pytestmark = pytest.mark.browser

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")


class Firefox:
    """A Firefox without a window, as far as this test needs one."""

    def __init__(self, folder) -> None:
        words = [FIREFOX, "--headless", "--remote-debugging-port=0", "--profile", str(folder), "--no-remote"]
        self.process = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
        address = next(line.split()[-1] for line in self.process.stderr if "WebDriver BiDi listening" in line)
        self.socket = websocket.create_connection(f"{address}/session", timeout=PATIENCE_S, suppress_origin=True)
        self.numbers = itertools.count(1)
        self.send("session.new", capabilities={})
        self.context = self.send("browsingContext.getTree")["contexts"][0]["context"]

    def send(self, method: str, **params):
        number = next(self.numbers)
        self.socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while (answer := json.loads(self.socket.recv())).get("id") != number:
            pass
        assert answer["type"] == "success", answer
        return answer["result"]

    def value(self, expression: str):
        """A value of the page that JSON can say."""
        told = self.send(
            "script.evaluate",
            expression=f"(async () => JSON.stringify(await ({expression}) ?? null))()",
            target={"context": self.context},
            awaitPromise=True,
        )
        assert told["type"] == "success", told
        return json.loads(told["result"]["value"])

    def wait(self, expression: str, patience_s: float = PATIENCE_S):
        end = time.monotonic() + patience_s
        while not self.value(expression):
            assert time.monotonic() < end, expression
            time.sleep(0.2)

    def act(self, kind: str, *actions: dict):
        parameters = {"parameters": {"pointerType": "mouse"}} if kind == "pointer" else {}
        source = {"type": kind, "id": kind, "actions": list(actions), **parameters}
        self.send("input.performActions", context=self.context, actions=[source])

    def click(self, x: float, y: float):
        move = {"type": "pointerMove", "x": round(x), "y": round(y)}
        self.act("pointer", move, {"type": "pointerDown", "button": 0}, {"type": "pointerUp", "button": 0})

    def press(self, key: str, held: str = ""):
        downs = [{"type": "keyDown", "value": k} for k in (held, key) if k]
        ups = [{"type": "keyUp", "value": k} for k in (key, held) if k]
        self.act("key", *downs, *ups)

    def close(self):
        self.socket.close()
        self.process.terminate()
        self.process.wait(PATIENCE_S)
        self.process.stderr.close()


@pytest.fixture
def firefox(tmp_path):
    if FIREFOX is None:
        pytest.skip("Firefox is not installed: apt-get install firefox-esr")
    browser = Firefox(tmp_path)
    yield browser
    browser.close()


GRID = "document.querySelector('.wbg').hitGrid"
SETTLED = f"{GRID}.session.pending.length === 0"
PLACE = """(() => {
  const view = document.querySelector('.wbg').hitGrid;
  const box = view.scroller.getBoundingClientRect();
  const line = view.sheet.lines[0];
  const row = view.rowOf.get('snare');
  return [box.left + line.bars[1].x + line.scale * 3 / 16,
    box.top + line.y + view.sheet.rowTops[row] + view.sheet.rowHeights[row] / 2 - view.scroller.scrollTop];
})()"""


def test_a_hit_is_written_changed_and_taken_back_in_firefox(lab, firefox):
    lab.write_notebook("firefox/song.ipynb", [SONG + "workspace(grid, ScoreView(grid))"])
    firefox.send(
        "browsingContext.navigate", context=firefox.context, url=lab.url("firefox/song.ipynb"), wait="complete"
    )
    firefox.wait("window.jupyterapp?.restored.then(() => true)")
    firefox.value(
        "window.jupyterapp.commands.execute('docmanager:open', {path: 'firefox/song.ipynb'}).then(() => true)"
    )
    # A window that nobody sees has no focus; JupyterLab takes for current what has had it.
    panel = "[...window.jupyterapp.shell.widgets('main')][0].node"
    firefox.wait(
        "Boolean(document.querySelector('.jp-CodeCell .cm-content')) && !document.querySelector('.jp-Spinner')"
    )
    firefox.value(f"{panel}.dispatchEvent(new FocusEvent('focus'))")
    kernel = "window.jupyterapp.shell.currentWidget?.context?.sessionContext?.session?.kernel"
    firefox.wait(f"{kernel}?.status === 'idle'")
    firefox.value("window.jupyterapp.commands.execute('notebook:run-all-cells')")
    firefox.wait("Boolean(document.querySelector('.wbg')?.dataset.painted)")
    firefox.wait(f"{GRID}.sound.stamp > 0")
    firefox.click(*firefox.value(PLACE))
    firefox.press("g")
    firefox.wait(SETTLED)
    kernel = lab.kernel_of("firefox/song.ipynb")
    found = "[sorted(n.articulations) for n in document.chart.bars[1].notes if n.position == F(3, 16)]"
    assert kernel.value(found) == [["ghost"]]
    cells = firefox.value("window.jupyterapp.shell.currentWidget.content.widgets.length")
    for key in "xdd":
        firefox.press(key)
    firefox.wait(SETTLED)
    assert firefox.value("window.jupyterapp.shell.currentWidget.content.widgets.length") == cells
    assert kernel.value(found) == []
    for _ in range(3):  # two drags on the next doubt, and the removal
        firefox.press("z", held="\ue009")  # Control
    firefox.wait(SETTLED)
    assert kernel.value(found) == [["ghost"]]
    kernel.close()
