/** The panels of the toolbar: each a name and its controls, made when it is opened. */
import { barsSaid, beatSpans, theBar } from "./chart.js";
import { BAR_ACTS, cueOf } from "./commands.js";
import { DrumPanel } from "./drums.js";
import { button, choice, field, menu, slider, toggle, words } from "./toolbar.js";

const percent = (x) => `${x} %`;
const side = (x) => (x === 0 ? "middle" : `${Math.abs(x)} % ${x < 0 ? "left" : "right"}`);

/** Into how many parts a beat can be divided, and what that is called. */
const SUBDIVISIONS = [["quarters", 1], ["8ths", 2], ["triplets", 3], ["16ths", 4], ["16th triplets", 6], ["32nds", 8]];
/** Bars in a line. */
const LINES = [["as fit", -1], ["1", 1], ["2", 2], ["4", 4], ["8", 8], ["16", 16], ["32", 32], ["all", 0]];
/** Signs of the score: what the menu says, and the words or character that the chart keeps (workbench.notation.roadsigns). */
const SIGNS = [...["pp", "p", "mp", "mf", "f", "ff", "cresc.", "dim."].map((d) => [d, d]), ["Segno", "\u{1d10b}"],
  ["Coda", "\u{1d10c}"], ["Fermata", "\u{1d110}"], ...["To Coda", "D.S. al Coda", "D.S. al Fine", "D.C. al Fine", "Fine"].map(
    (d) => [d, d])];
/** Signs of a chart that keeps its repeats; one that follows a recording has every bar, and repeats fold it. */
const KEPT = [["Repeat begins", "\u{1d106}"], ["Repeat ends", "\u{1d107}"], ["1st ending", "1."], ["2nd ending", "2."]];
const signsOf = (v) => (v.chart.recording ? SIGNS : [...SIGNS, ...KEPT]);
const FEELS = ["straight", "swing 8ths", "swing 16ths"];
const COUNT_INS = [["none", 0], ["one bar", 1], ["two bars", 2]];
/** Sources that sound: trait and what it is called. */
const SOUNDS = [["drums", "Drums"], ["rest", "Rest"], ["chart", "Chart"], ["click", "Click"]];

const line = (...parts) => {
  const e = document.createElement("div");
  e.className = "wbg-panel-row";
  e.append(...parts);
  return e;
};

/** @type {Record<string, (view: any) => HTMLElement[]>} */
export const PANELS = {
  "Sound": (v) => [
    line(...SOUNDS.map(([source, name]) => slider(v, name, `${source}_level`, 0, 100, 5, percent))),
    line(...SOUNDS.map(([source, name]) => slider(v, `${name} placed`, `${source}_pan`, -100, 100, 10, side))),
    line(button(v, "Heard / written", "compare", "The recording, then the chart, then both as the sliders say"),
      menu(v, "Count-in", "count_in_bars", COUNT_INS), toggle(v, "Hits sound when written", "sound_hits"),
      field(v, "Recording", "file, where it is not found", (path) => v.session.do({ command: "use recording", path }), "14em")),
  ],
  "Drums": (v) => {
    const drums = (v.drums = new DrumPanel(v));
    v.drop.push(() => { v.drums = null; });
    drums.update();
    return [drums.where, drums.element];
  },
  "Hit": (v) => [line(...HIT_COMMANDS.map(([command, name]) => button(v, name, command)))],
  "Bars": (v) => [
    line(words("Hits of the bars:"), button(v, "Done", "keep bars"), button(v, "Next not done", "next undone bar"), button(v, "Copy", "copy"), button(v, "Paste", "paste"),
      button(v, "Repeat after", "repeat"),
      choice("Subdivision", [["…", 0], ...SUBDIVISIONS], (parts) => parts && subdivide(v, parts))),
    line(words("Bars:"), ...Object.entries(BAR_ACTS).map(([command, will]) => {
      const e = button(v, BAR_WORDS[command], command);
      // What it will do, for the bars that are chosen when the pointer comes.
      e.addEventListener("pointerenter", () => { e.title = will(v); });
      return e;
    })),
    line(words("Marks:"), button(v, "Section here", "section"), button(v, "Fill", "mark fill"),
      button(v, "Next proposed mark", "next mark"), button(v, "Not a fill", "drop mark"),
      button(v, "Most doubtful bar", "next doubtful bar")),
  ],
  "Bar lines": (v) => [
    line(menu(v, "For", "bars_meant", ["whole song", "from here on", "selected bars"].map((w) => [w, w])),
      field(v, "Meter", "4/4", (meter) => v.run("set meter", meter), "4em"),
      field(v, "Pick-up", "beats", (beats) => v.run("pick-up", beats), "4em"),
      button(v, "1 a beat earlier", "one earlier"), button(v, "1 a beat later", "one later"),
      button(v, "1 half a beat later", "one half later")),
    line(button(v, "Half tempo", "half tempo"), button(v, "Double tempo", "double tempo"),
      button(v, "3 beats for 2", "three for two"), button(v, "2 beats for 3", "two for three"),
      button(v, "Split bar at the cursor", "split bar"), button(v, "Join with next bar", "join bars")),
    line(button(v, "Insert a bar here", "insert bars"), button(v, "Delete bars", "delete bars"),
      button(v, "Fix line or let it go", "fix line"), button(v, "Lay anew from here by ear", "lay anew", "Finds the bars again in the recording; fixed lines and the bars before this one stay"),
      button(v, "Mend what disagrees", "mend bars")),
  ],
  "Score": (v) => [
    line(field(v, "Title", "of the song", (title) => v.edit({ edit: "set heading", title }), "14em", v.chart.title),
      field(v, "Artist", "who plays it", (artist) => v.edit({ edit: "set heading", artist }), "14em", v.chart.artist),
      feelMenu(v)),
    line(button(v, "Section here", "section"), button(v, "Words over this bar", "cue"),
      choice("Sign here", [["…", ""], ...signsOf(v)], (text) => text && sign(v, text)),
      button(v, "Tempo words", "tempo words", "Words before the tempo of this bar"),
      button(v, "Repeat signs", "repeat signs", "The selected bars once, with repeat signs and endings; or never folded"),
      button(v, "Slashes", "slashes", "The selected bars as slashes: play as before"),
      button(v, "Export", "export", "PDF, PNG, MusicXML and MIDI beside the chart")),
  ],
  "View": (v) => [
    line(menu(v, "Bars in a line", "bars_per_line", LINES), slider(v, "Doubt hits below", "doubt_below", 0, 1, 0.05,
      (x) => percent(Math.round(100 * x))), toggle(v, "Waveform", "show_waveform"),
      toggle(v, "Spectrogram", "show_spectrogram"), toggle(v, "All drums", "all_rows")),
  ],
};

const BAR_WORDS = { "insert bars": "Insert", "delete bars": "Delete", "duplicate bars": "Duplicate", "bars earlier": "Hits a bar earlier",
  "bars later": "Hits a bar later" };

const HIT_COMMANDS = [["softer", "Softer"], ["louder", "Louder"], ["ghost", "Ghost"], ["accent", "Accent"], ["flam", "Flam"],
  ["drag", "Drag"], ["double", "Double"], ["roll", "Roll"], ["rim shot", "Rim shot"], ["choke", "Choke"], ["open", "Open/closed"],
  ["half open", "Half open"], ["foot splash", "Foot splash"]];

/** The chart's feel, and others to choose. */
function feelMenu(v) {
  const e = choice("Feel", FEELS.map((f) => [f, f]), (feel) => v.edit({ edit: "set heading", feel }));
  const show = () => { e.lastChild.selectedIndex = FEELS.indexOf(v.chart.feel || FEELS[0]); };
  v.drop.push(v.session.listen(show));
  show();
  return e;
}

/** Write a sign at the cursor: dynamics where it stands, roads over its bar. */
function sign(v, text) {
  const position = /^[a-z.]+$/.test(text) ? v.cursor.at : cueOf(v, v.cursor.bar, (other) => other === text).at;
  v.edit({ edit: "set text", bar_index: v.cursor.bar, position, text });
  v.say(`${signsOf(v).find(([, t]) => t === text)[0]} written in ${theBar(v.chart, v.cursor.bar)}.`);
}

/** Divide every beat of the selected bars alike. */
function subdivide(v, parts) {
  const [first, last] = v.selection || [v.cursor.bar, v.cursor.bar];
  const edits = v.chart.bars.slice(first, last + 1).map((_, k) => ({ edit: "set subdivisions", bar_index: first + k,
    subdivisions: beatSpans(v.chart.time_map.bars[first + k]).map(() => parts) }));
  v.edit(edits.length > 1 ? { edit: "together", edits, name: "set subdivisions" } : edits[0]);
  v.say(`Beats of ${barsSaid(v.chart, first, last)} divided anew.`);
}
