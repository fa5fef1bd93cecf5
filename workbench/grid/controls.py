"""Ordinary ipywidgets around the grid, to be arranged as a user likes.

:class:`GridControls` holds each control under its name; :meth:`GridControls.box`
is one arrangement.  What concerns the page only (levels, speed, zoom) is linked
in the page and works while the kernel is busy.
"""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as w
import traitlets

from workbench.chart.edits import CompositeEdit, NameSection, SetMeter, SetSubdivisions
from workbench.chart.meter import Meter
from workbench.errors import ChartError
from workbench.files.document import ChartDocument
from workbench.grid.passages import DRUMS_ALONE_DB, REST_ALONE_DB
from workbench.grid.widget import BARS_MEANT, HitGrid

#: Into how many parts a beat can be divided from the menu: what they are called.
SUBDIVISIONS = [("quarters", 1), ("8ths", 2), ("triplets", 3), ("16ths", 4), ("16th triplets", 6), ("32nds", 8)]

_SOURCES = {"recording": "Recording", "chart": "Chart", "click": "Click"}


#: Buttons that do in the page what a key does: command, words, key.
_HIT_BUTTONS = [
    ("softer", "Softer", "−"),
    ("louder", "Louder", "+"),
    ("ghost", "Ghost", "g"),
    ("accent", "Accent", "a"),
    ("flam", "Flam", "f"),
    ("drag", "Drag", "d"),
    ("roll", "Roll", "r"),
    ("rim shot", "Rim shot", "m"),
    ("choke", "Choke", "c"),
    ("open", "Open/closed", "o"),
    ("half open", "Half open", "h"),
    ("foot splash", "Foot splash", "p"),
]
_BAR_BUTTONS = [
    ("keep bars", "Keep bars", "K"),
    ("copy", "Copy", "Ctrl C"),
    ("paste", "Paste", "Ctrl V"),
    ("repeat", "Repeat bars", "Ctrl D"),
    ("next doubtful bar", "Most doubtful bar", "v"),
    ("mark fill", "Fill", "F"),
    ("next mark", "Next mark", "q"),
    ("drop mark", "Not a fill", "u"),
]

_REBAR_BUTTONS = [
    ("one earlier", "1 a beat earlier", "("),
    ("one later", "1 a beat later", ")"),
    ("one half later", "1 half a beat later", ""),
    ("half tempo", "Half tempo", ""),
    ("double tempo", "Double tempo", ""),
    ("three for two", "3 beats for 2", ""),
    ("two for three", "2 beats for 3", ""),
    ("split bar", "Split bar at the cursor", ""),
    ("join bars", "Join with next bar", ""),
    ("fix line", "Fix line or let it go", ""),
]

#: Labels are shown whole, however long.
_WHOLE_WORDS = {"description_width": "initial"}
#: How many bars stand in a line.
ZOOMS = [("1 bar", 1), ("2 bars", 2), ("4 bars", 4), ("8 bars", 8), ("16 bars", 16), ("32 bars", 32), ("whole song", 0)]


def _button(words: str, tooltip: str, action: Callable[[], object]) -> w.Button:
    button = w.Button(description=words, tooltip=tooltip, layout=w.Layout(width="auto"))
    button.on_click(lambda _: action())
    return button


def _toggle(words: str, tooltip: str) -> w.ToggleButton:
    return w.ToggleButton(description=words, tooltip=tooltip, layout=w.Layout(width="80px"))


def _slider(words: str, low: int, high: int, step: int, settled: bool = False) -> w.IntSlider:
    return w.IntSlider(
        description=words, min=low, max=high, step=step, layout=w.Layout(width="250px"), continuous_update=not settled
    )


def _menu(words: str, options: list[tuple[str, int]] | list[tuple[str, str]]) -> w.Dropdown:
    return w.Dropdown(description=words, options=options, layout=w.Layout(width="210px"), style=_WHOLE_WORDS)


def _check(words: str) -> w.Checkbox:
    return w.Checkbox(description=words, indent=False, layout=w.Layout(width="auto"))


def _row(children: list[w.Widget]) -> w.HBox:
    return w.HBox(children, layout=w.Layout(flex_flow="row wrap", align_items="center"))


class GridControls:
    """The controls of a grid.

    Attributes
    ----------
    play, loop, speed, count_in, drums : listening
    levels, pans : dict of 'recording', 'chart', 'click'
    undo, redo, save, go_on, next_doubt, keep, reject, correct_repeats : buttons
    hit : dict of buttons that change the hit at the cursor, by the command's name
    bars : dict of buttons for the selected bars, by the command's name
    meter, set_meter, subdivision, set_subdivision, section, name_section : bars
    zoom, doubt_below, waveform, spectrogram, all_rows, keys : view
    """

    def __init__(self, grid: HitGrid) -> None:
        self.grid = grid
        self._build_listening()
        self._build_editing()
        self._build_view()

    # -- making -------------------------------------------------------------------

    def _linked(self, widget: w.Widget, trait: str) -> w.Widget:
        widget.value = getattr(self.grid, trait)
        if isinstance(widget, w.Dropdown):
            # A menu's value is known in Python only.
            traitlets.link((widget, "value"), (self.grid, trait))
        else:
            w.jslink((widget, "value"), (self.grid, trait))
        return widget

    def _build_listening(self) -> None:
        self.play = self._linked(_toggle("Play", "Space in the grid"), "playing")
        self.loop = self._linked(_toggle("Loop", "l in the grid"), "loop")
        self.speed = self._linked(_slider("Speed %", 25, 150, 5, settled=True), "speed_percent")
        counts = [("none", 0), ("one bar", 1), ("two bars", 2)]
        self.count_in = self._linked(_menu("Count-in", counts), "count_in_bars")
        self.drums = self._linked(
            w.FloatSlider(
                description="Drums dB",
                min=REST_ALONE_DB,
                max=DRUMS_ALONE_DB,
                step=3,
                layout=w.Layout(width="250px"),
                continuous_update=False,
                readout_format="+.0f",
                tooltip="drums of the recording down or up; at the ends, the rest or the drums alone",
            ),
            "drums_db",
        )
        self.levels = {s: self._linked(_slider(words, 0, 100, 5), f"{s}_level") for s, words in _SOURCES.items()}
        self.pans = {s: self._linked(_slider("Pan", -100, 100, 10), f"{s}_pan") for s in _SOURCES}

    def _build_editing(self) -> None:
        grid = self.grid
        document: ChartDocument = grid.document
        self.undo = _button("Undo", "Ctrl Z in the grid", lambda: grid.attempt(document.undo))
        self.redo = _button("Redo", "Ctrl Y in the grid", lambda: grid.attempt(document.redo))
        self.save = _button("Save", "Ctrl S in the grid", lambda: grid.attempt(document.save))
        self.go_on = _button(
            "Go on here",
            "with what another notebook or program did to the chart",
            lambda: grid.attempt(document.reload),
        )
        self.go_on.button_style = "warning"
        traitlets.dlink((grid, "changed_elsewhere"), (self.go_on.layout, "display"), lambda yes: "" if yes else "none")
        self.next_doubt = _button("Next doubtful hit", "n in the grid", lambda: grid.run("next doubt"))
        self.keep = _button("Keep", "k in the grid: the hit or the mark here", lambda: grid.run("keep"))
        self.reject = _button("Remove", "x in the grid", lambda: grid.run("reject"))
        self.correct_repeats = _button(
            "Fix matching bars too",
            "e in the grid: every bar that repeats this one",
            lambda: grid.run("correct repeats"),
        )

        self.hit = {c: self._page_button(words, c, key) for c, words, key in _HIT_BUTTONS}
        self.bars = {c: self._page_button(words, c, key) for c, words, key in _BAR_BUTTONS}
        short = w.Layout(width="90px")
        self.meter = w.Text(value="4/4", layout=short, tooltip="such as 4/4, 7/8, 12/8")
        self.set_meter = _button("Set meter", "and lay these bars anew", lambda: grid.attempt(self._set_meter))
        self.bars_meant = self._linked(_menu("For", [(words, words) for words in BARS_MEANT]), "bars_meant")
        self.rebar = {c: self._page_button(words, c, key) for c, words, key in _REBAR_BUTTONS}
        self.subdivision = w.Dropdown(options=SUBDIVISIONS, value=4, layout=w.Layout(width="130px"))
        self.set_subdivision = _button(
            "Set subdivision", "of the selected bars: b and B in the grid", lambda: grid.attempt(self._set_subdivisions)
        )
        self.section = w.Text(placeholder="Verse", layout=w.Layout(width="140px"))
        self.name_section = _button(
            "Name section", "beginning at the cursor's bar: s in the grid", lambda: grid.attempt(self._name_section)
        )

    def _page_button(self, words: str, command: str, key: str) -> w.Button:
        return _button(words, f"{key} in the grid" if key else words, lambda: self.grid.run(command))

    def _build_view(self) -> None:
        self.zoom = self._linked(_menu("Bars per line", ZOOMS), "bars_per_line")
        self.doubt_below = self._linked(
            w.FloatSlider(
                description="Flag hits below",
                min=0,
                max=1,
                step=0.05,
                layout=w.Layout(width="280px"),
                style=_WHOLE_WORDS,
            ),
            "doubt_below",
        )
        self.waveform = self._linked(_check("Waveform"), "show_waveform")
        self.spectrogram = self._linked(_check("Spectrogram"), "show_spectrogram")
        self.all_rows = self._linked(_check("All instruments"), "all_rows")
        self.keys = self._linked(_check("List of keys"), "show_keys")

    # -- doing ----------------------------------------------------------------------

    def _set_meter(self) -> None:
        bars, meant = self.grid.bars(), BARS_MEANT.index(self.grid.bars_meant)
        first, last = [(0, None), (bars[0], None), (bars[0], bars[-1])][meant]
        self.grid.document.apply(SetMeter(Meter.parse(self.meter.value), first, last))

    def _set_subdivisions(self) -> None:
        time_map = self.grid.chart.time_map
        edits = [
            SetSubdivisions(k, (self.subdivision.value,) * len(time_map.bars[k].beat_spans())) for k in self.grid.bars()
        ]
        self.grid.document.apply(edits[0] if len(edits) == 1 else CompositeEdit(tuple(edits), "set subdivisions"))

    def _name_section(self) -> None:
        name = self.section.value.strip()
        if not name:
            raise ChartError("Write the section's name first.")
        self.grid.document.apply(NameSection(self.grid.bars()[0], name))

    # -- arranging --------------------------------------------------------------------

    def box(self) -> w.VBox:
        """All controls: what is always wanted in one row, the rest in tabs."""
        first = [
            self.play,
            self.loop,
            self.speed,
            self.next_doubt,
            self.keep,
            self.reject,
            self.undo,
            self.redo,
            self.save,
            self.go_on,
        ]
        bars = [self.section, self.name_section, self.subdivision, self.set_subdivision, self.correct_repeats]
        view = [self.zoom, self.doubt_below, self.waveform, self.spectrogram, self.all_rows, self.keys]
        sound = w.VBox(
            [
                _row([self.levels[s] for s in _SOURCES] + [self.count_in]),
                _row([self.pans[s] for s in _SOURCES] + [self.drums]),
            ]
        )
        bars = w.VBox([_row(bars), _row(list(self.bars.values()))])
        rebar = _row([self.bars_meant, self.meter, self.set_meter, *self.rebar.values()])
        tabs = w.Tab(
            [sound, _row(list(self.hit.values())), bars, rebar, _row(view)],
            titles=("Sound", "Hit", "Bars and sections", "Where bars lie", "View"),
            selected_index=None,
        )
        return w.VBox([_row(first), tabs])


def workspace(grid: HitGrid, *below: w.Widget) -> w.VBox:
    """Lay out controls, grid, and what a user wants under it.

    Parameters
    ----------
    grid : HitGrid
    *below : widgets
        A score, say.

    Returns
    -------
    ipywidgets.VBox

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> grid = wb.HitGrid(wb.open_chart(wb.demo_song(mkdtemp(), "chart")))
    >>> len(wb.workspace(grid, wb.ScoreView(grid)).children)
    3
    """
    return w.VBox([GridControls(grid).box(), grid, *below])
