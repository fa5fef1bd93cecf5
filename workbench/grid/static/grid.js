/* Made by python workbench/grid/bundle.py; sources a4c836d35bbcf6c1e1e57b4bdc0e60684e6994649b0a0a671c91da4669252d74 */

// js/counting.js
var SYLLABLES = {
  "1/4": "e",
  "1/2": "&",
  "3/4": "a",
  "1/3": "trip",
  "2/3": "let"
};
var OTHER_SYLLABLE = "ta";
var PLACE_WORDS = {
  "1/4": "e of {n}",
  "1/2": "& of {n}",
  "3/4": "a of {n}",
  "1/8": "{eighth} after {n}",
  "3/8": "{eighth} after the e of {n}",
  "5/8": "{eighth} after the & of {n}",
  "7/8": "{eighth} after the a of {n}",
  "1/3": "middle triplet of {n}",
  "2/3": "last triplet of {n}",
  "1/5": "2nd quintuplet note of beat {n}",
  "2/5": "3rd quintuplet note of beat {n}",
  "3/5": "4th quintuplet note of beat {n}",
  "4/5": "last quintuplet note of beat {n}",
  "1/6": "2nd {quarter}-triplet note of beat {n}",
  "5/6": "last {quarter}-triplet note of beat {n}",
  "1/7": "2nd septuplet note of beat {n}",
  "2/7": "3rd septuplet note of beat {n}",
  "3/7": "4th septuplet note of beat {n}",
  "4/7": "5th septuplet note of beat {n}",
  "5/7": "6th septuplet note of beat {n}",
  "6/7": "last septuplet note of beat {n}"
};

// js/fractions.js
function gcd(a, b) {
  a = Math.abs(a);
  while (b) [a, b] = [b, a % b];
  return a || 1;
}
function fraction(n, d = 1) {
  const g = gcd(n, d);
  return { n: n / g, d: d / g };
}
var read = /* @__PURE__ */ new Map();
var MOST_READ = 2e4;
function parseFraction(text) {
  let found = read.get(text);
  if (!found) {
    const [n, d] = text.split("/").map(Number);
    found = fraction(n, d === void 0 ? 1 : d);
    if (read.size < MOST_READ) read.set(text, found);
  }
  return found;
}
var textOf = (x) => x.d === 1 ? String(x.n) : `${x.n}/${x.d}`;
var valueOf = (x) => x.n / x.d;
var add = (a, b) => fraction(a.n * b.d + b.n * a.d, a.d * b.d);
var subtract = (a, b) => fraction(a.n * b.d - b.n * a.d, a.d * b.d);
var multiply = (a, b) => fraction(a.n * b.n, a.d * b.d);
var compare = (a, b) => a.n * b.d - b.n * a.d;

// js/chart.js
var meters = /* @__PURE__ */ new Map();
function readMeter(meter) {
  if (!meters.has(meter)) {
    const [beats, unit] = meter.split("/").map(Number);
    const compound = unit >= 8 && beats > 3 && beats % 3 === 0;
    meters.set(meter, {
      beats,
      unit,
      compound,
      barLength: fraction(beats, unit),
      beatLength: fraction(compound ? 3 : 1, unit)
    });
  }
  return meters.get(meter);
}
function columnsOf(timed, subdivisions) {
  const key = `${timed.meter} ${timed.length || ""} ${subdivisions || ""}`;
  if (!knownColumns.has(key)) knownColumns.set(key, columnsBy(timed, subdivisions));
  return knownColumns.get(key);
}
var knownColumns = /* @__PURE__ */ new Map();
function columnsBy(timed, subdivisions) {
  const meter = readMeter(timed.meter);
  const length = timed.length ? parseFraction(timed.length) : meter.barLength;
  const missing = subtract(meter.barLength, length);
  const columns = [];
  let beat = 0;
  for (const [start, end] of beatSpans(timed)) {
    const parts = subdivisions && subdivisions[beat] || (meter.compound ? 6 : 4);
    const step = multiply(meter.beatLength, fraction(1, parts));
    const span = subtract(end, start);
    const steps = Math.ceil(valueOf(span) / valueOf(step) - 1e-9);
    const number = Math.floor(valueOf(add(start, missing)) / valueOf(meter.beatLength) + 1e-9) + 1;
    for (let k = steps; k > 0; k--) {
      const whole = subtract(end, multiply(step, fraction(k)));
      const cut = compare(whole, start) < 0;
      const part = cut ? parts - valueOf(span) / valueOf(step) : parts - k;
      columns.push({ at: cut ? start : whole, beat, number, part, parts, step });
    }
    beat += 1;
  }
  return columns;
}
var spans = /* @__PURE__ */ new Map();
function beatSpans(timed) {
  const key = `${timed.meter} ${timed.length || ""}`;
  if (!spans.has(key)) spans.set(key, spansOf(timed));
  return spans.get(key);
}
function spansOf(timed) {
  const meter = readMeter(timed.meter);
  const length = timed.length ? parseFraction(timed.length) : meter.barLength;
  const missing = subtract(meter.barLength, length);
  const beats = Math.ceil(valueOf(missing) / valueOf(meter.beatLength) - 1e-9);
  let at = subtract(multiply(meter.beatLength, fraction(beats)), missing);
  const starts = at.n === 0 ? [] : [fraction(0)];
  while (compare(at, length) < 0) {
    starts.push(at);
    at = add(at, meter.beatLength);
  }
  return starts.map((s, k) => (
    /** @type {[any, any]} */
    [s, starts[k + 1] || length]
  ));
}
var lengthOf = (timed) => timed.length ? parseFraction(timed.length) : readMeter(timed.meter).barLength;
function countAt(timed, at) {
  const meter = readMeter(timed.meter);
  const missing = subtract(meter.barLength, lengthOf(timed));
  const counts = multiply(add(at, missing), fraction(meter.unit));
  const number = Math.floor(counts.n / counts.d);
  return { number: number + 1, part: textOf(subtract(counts, fraction(number))), unit: meter.unit };
}
function spoken(timed, at) {
  const { number, part } = countAt(timed, at);
  return part === "0" ? String(number) : SYLLABLES[part] || OTHER_SYLLABLE;
}
var withArticle = (name) => `${/^[aeiou]/.test(name) ? "an" : "a"} ${name}`;
var valueName = (parts) => `${parts}${parts === 32 ? "nd" : "th"}`;
function placeName(timed, at) {
  const { number, part, unit } = countAt(timed, at);
  if (part === "0") return String(number);
  const values = { n: number, quarter: valueName(4 * unit), eighth: valueName(8 * unit) };
  if (PLACE_WORDS[part]) return PLACE_WORDS[part].replace(/{(\w+)}/g, (_, name) => String(values[name]));
  const { n, d } = parseFraction(part);
  const quarter = [0, 1, 2, 3, 4].reduce((a, b) => Math.abs(b * d - 4 * n) < Math.abs(a * d - 4 * n) ? b : a);
  const next = readMeter(timed.meter).beats === number ? "the next 1" : String(number + 1);
  const near = quarter === 0 ? String(number) : quarter === 4 ? next : `the ${SYLLABLES[textOf(fraction(quarter, 4))]} of ${number}`;
  return `just ${4 * n > quarter * d ? "after" : "before"} ${near}`;
}
function thePlace(timed, at) {
  const name = placeName(timed, at);
  return /^\d+$/.test(name) || name.startsWith("just ") ? name : `the ${name}`;
}
function barNumber(chart, bar) {
  const first = chart.time_map.bars[0];
  return first.length && chart.time_map.bars.length > 1 ? bar : bar + 1;
}
var theBar = (chart, bar) => barNumber(chart, bar) ? `bar ${barNumber(chart, bar)}` : "the pick-up";
var barName = (chart, bar) => barNumber(chart, bar) ? `Bar ${barNumber(chart, bar)}` : "Pick-up";
function barsSaid(chart, first, last) {
  if (last <= first) return theBar(chart, first);
  const to = barNumber(chart, last);
  return barNumber(chart, first) ? `bars ${barNumber(chart, first)} to ${to}` : `the pick-up to bar ${to}`;
}
var MOST_RUNS = 6;
function barList(chart, bars2, mostRuns = MOST_RUNS) {
  const numbers2 = [...new Set(bars2.map((b) => barNumber(chart, b)))].sort((a, b) => a - b);
  const full = numbers2.filter(Boolean);
  const words2 = numbers2[0] === 0 ? ["pick-up"] : [];
  if (full.length) {
    const runs = [];
    for (const n of full) {
      const run = runs[runs.length - 1];
      if (run?.[1] === n - 1) run[1] = n;
      else runs.push([n, n]);
    }
    const more = runs.slice(mostRuns).reduce((sum, [a, b]) => sum + b - a + 1, 0);
    words2.push(`bar${full.length > 1 ? "s" : ""} ${runs.slice(0, mostRuns).map(([a, b]) => a === b ? a : `${a}–${b}`).join(", ")}${more ? ` and ${more} more` : ""}`);
  }
  return words2.join(" + ");
}
function noteAt(chart, bar, at, instrument) {
  const written2 = chart.bars[bar];
  return written2 && written2.notes.find((n) => n.at === at && n.instrument === instrument);
}
var isDoubtful = (note, below) => !note.confirmed && (note.confidence ?? 1) < below;
function doubtfulHits(chart, below) {
  const found = [];
  chart.bars.forEach((written2, bar) => {
    for (const note of written2.notes) if (isDoubtful(note, below)) found.push({ bar, note });
  });
  return found;
}
function doubtfulBars(chart, below) {
  const doubt = /* @__PURE__ */ new Map();
  for (const { bar, note } of doubtfulHits(chart, below)) {
    doubt.set(bar, (doubt.get(bar) || 0) + 1 - (note.confidence ?? 1));
  }
  return [...doubt].sort((a, b) => b[1] - a[1] || a[0] - b[0]).map(([bar]) => bar);
}
var hitsOf = /* @__PURE__ */ new WeakMap();
function hitsIn(written2) {
  let hits2 = hitsOf.get(written2);
  if (hits2 === void 0) {
    hits2 = written2.notes.map((n) => `${n.at} ${n.instrument}`).sort().join("|");
    hitsOf.set(written2, hits2);
  }
  return hits2;
}
function repeatsOf(chart, bar) {
  const { meter, length } = chart.time_map.bars[bar];
  const { notes } = chart.bars[bar];
  const found = [];
  chart.time_map.bars.forEach((timed, k) => {
    if (timed.meter === meter && timed.length === length && chart.bars[k].notes.length === notes.length && hitsIn(chart.bars[k]) === hitsIn(chart.bars[bar])) found.push(k);
  });
  return found;
}
function secondsAt(time, bar, position) {
  const k = anchorBefore(time.anchorNotes, time.starts[bar] + position);
  return interpolate(time.anchorNotes, time.anchorTimes, k, time.starts[bar] + position);
}
function notesAt(time, seconds) {
  const k = anchorBefore(time.anchorTimes, seconds);
  return interpolate(time.anchorTimes, time.anchorNotes, k, seconds);
}
function placeAt(time, seconds) {
  const notes = notesAt(time, seconds);
  let bar = 0;
  let high = time.starts.length - 2;
  while (bar < high) {
    const mid = bar + high + 1 >> 1;
    if (time.starts[mid] <= notes + 1e-9) bar = mid;
    else high = mid - 1;
  }
  return { bar, position: notes - time.starts[bar] };
}
var times = /* @__PURE__ */ new WeakMap();
function timeOf(timeMap) {
  if (!times.has(timeMap)) times.set(timeMap, anchorsOf(timeMap));
  return times.get(timeMap);
}
function anchorsOf(timeMap) {
  const starts = [0];
  const anchorNotes = [];
  const anchorTimes = [];
  timeMap.bars.forEach((timed, k) => {
    beatSpans(timed).forEach(([start], b) => {
      anchorNotes.push(starts[k] + valueOf(start));
      anchorTimes.push(timed.beats_s[b]);
    });
    starts.push(starts[k] + valueOf(lengthOf(timed)));
  });
  anchorNotes.push(starts[starts.length - 1]);
  anchorTimes.push(timeMap.end_s);
  return { starts, anchorNotes, anchorTimes };
}
function anchorBefore(xs, x) {
  let low = 0;
  let high = xs.length - 2;
  while (low < high) {
    const mid = low + high + 1 >> 1;
    if (xs[mid] <= x) low = mid;
    else high = mid - 1;
  }
  return low;
}
function interpolate(xs, ys, k, x) {
  return ys[k] + (x - xs[k]) * (ys[k + 1] - ys[k]) / (xs[k + 1] - xs[k]);
}
function describeNote(chart, bar, note) {
  const timed = chart.time_map.bars[bar];
  const words2 = [`${note.instrument} on ${thePlace(timed, parseFraction(note.at))}`];
  words2.push(`velocity ${note.velocity}`);
  if (note.articulations && note.articulations.length) words2.push(note.articulations.join(", "));
  const late = Math.round((note.deviation_s || 0) * 1e3);
  if (late) words2.push(`${Math.abs(late)} ms ${late > 0 ? "late" : "early"}`);
  if (note.sticking) words2.push(note.sticking === "R" ? "right hand" : "left hand");
  if (note.confirmed) words2.push("confirmed");
  else if (note.confidence !== void 0) words2.push(`draft is ${Math.round(note.confidence * 100)} % sure`);
  return words2.join(", ");
}

// js/keys.js
var SHORTCUTS = [
  { group: "Go", shortcuts: [
    { keys: ["ArrowLeft"], command: "left", does: "a column left or right", shown: "← →" },
    { keys: ["ArrowRight"], command: "right", does: "" },
    { keys: ["ArrowUp"], command: "up", does: "a row up or down", shown: "↑ ↓" },
    { keys: ["ArrowDown"], command: "down", does: "" },
    { keys: [","], command: "left between", does: "between columns", shown: ",  ." },
    { keys: ["."], command: "right between", does: "" },
    { keys: ["Ctrl+ArrowLeft"], command: "bar left", does: "a bar back or on", shown: "Ctrl ← →" },
    { keys: ["Ctrl+ArrowRight"], command: "bar right", does: "" },
    { keys: ["PageUp"], command: "line up", does: "a line up or down", shown: "PgUp PgDn" },
    { keys: ["PageDown"], command: "line down", does: "" },
    { keys: ["Home"], command: "first bar", does: "first or last bar", shown: "Home End" },
    { keys: ["End"], command: "last bar", does: "" },
    { keys: ["z"], command: "nearer", does: "fewer or more bars in a line", shown: "z Z" },
    { keys: ["Shift+Z"], command: "farther", does: "" },
    { keys: ["Escape"], command: "leave", does: "close, let go, then keys back to the notebook", shown: "Esc" }
  ] },
  { group: "Doubts", shortcuts: [
    { keys: ["n"], command: "next doubt", does: "next or previous doubt: a place with hits in doubt or possible hits; what is asked in bars alike comes once", shown: "n N" },
    { keys: ["Shift+N"], command: "previous doubt", does: "" },
    { keys: ["v"], command: "next doubtful bar", does: "most doubtful bar" },
    { keys: ["k"], command: "keep", does: "keep the hit (or the mark) here, write the possible one; go on" },
    { keys: ["x"], command: "reject", does: "take the hit out, refuse the possible one; go on" },
    { keys: ["Shift+K"], command: "keep bars", does: "bar (or selected bars) done: keep all its hits", shown: "K" },
    { keys: ["j"], command: "next undone bar", does: "next bar that is not done" },
    { keys: ["Shift+J"], command: "next alike", does: "next bar that asks the same", shown: "J" },
    { keys: ["Shift+H"], command: "drums", does: "drums: hear each of them, say what it is, or take it out", shown: "H" },
    { keys: ["e"], command: "correct repeats", does: "the same answer where the same is asked, the same correction in the bars that match" }
  ] },
  { group: "Hits", shortcuts: [
    { keys: ["Enter"], command: "toggle", does: "write or remove a hit" },
    { keys: ["Delete", "Backspace"], command: "remove", does: "remove", shown: "Del" },
    { keys: ["Alt+ArrowLeft"], command: "move left", does: "move the hit a column", shown: "Alt ← →" },
    { keys: ["Alt+ArrowRight"], command: "move right", does: "" },
    { keys: ["Alt+ArrowUp"], command: "move up", does: "move to another drum", shown: "Alt ↑ ↓" },
    { keys: ["Alt+ArrowDown"], command: "move down", does: "" },
    { keys: ["+", "="], command: "louder", does: "louder or softer", shown: "+ −" },
    { keys: ["-"], command: "softer", does: "" },
    { keys: ["1", "2", "3", "4", "5", "6", "7", "8", "9"], command: "velocity", does: "soft … loud", shown: "1 … 9" }
  ] },
  { group: "Chosen hits", shortcuts: [
    { keys: ["Shift+A"], command: "all alike", does: "choose all like this: same drum, same place in the bar", shown: "A" },
    { keys: ["i"], command: "in every bar", does: "every bar (or the selected bars) as here: a hit is written, an empty place emptied" },
    { keys: ["Shift+I"], command: "fill row", does: "fill the row in this bar (or the selected bars): every beat; again: finer", shown: "I" },
    { keys: ["Shift+R"], command: "right hand", does: "right or left hand", shown: "R L" },
    { keys: ["Shift+L"], command: "left hand", does: "" },
    { keys: ["ContextMenu", "Shift+F10"], command: "menu", does: "menu of what can be done here", shown: "Menu" }
  ] },
  { group: "Articulation", shortcuts: [
    { keys: ["g"], command: "ghost", does: "ghost" },
    { keys: ["a"], command: "accent", does: "accent" },
    { keys: ["f"], command: "flam", does: "flam" },
    { keys: ["d"], command: "drag", does: "drag" },
    { keys: ["Shift+D"], command: "double", does: "double stroke", shown: "D" },
    { keys: ["r"], command: "roll", does: "roll" },
    { keys: ["c"], command: "choke", does: "choke" },
    { keys: ["m"], command: "rim shot", does: "rim shot" },
    { keys: ["o"], command: "open", does: "hi-hat open or closed" },
    { keys: ["h"], command: "half open", does: "hi-hat half open" },
    { keys: ["p"], command: "foot splash", does: "foot splash" }
  ] },
  { group: "Bars", shortcuts: [
    { keys: ["Shift+ArrowLeft"], command: "select left", does: "select bars", shown: "Shift ← →" },
    { keys: ["Shift+ArrowRight"], command: "select right", does: "" },
    { keys: ["Ctrl+A"], command: "select all", does: "select all" },
    { keys: ["Ctrl+C"], command: "copy", does: "copy, cut, paste", shown: "Ctrl C X V" },
    { keys: ["Ctrl+X"], command: "cut", does: "" },
    { keys: ["Ctrl+V"], command: "paste", does: "" },
    { keys: ["Ctrl+D"], command: "repeat", does: "repeat chosen hits or bars after themselves" },
    { keys: ["b"], command: "coarser", does: "subdivision of each beat: coarser or finer", shown: "b B" },
    { keys: ["Shift+B"], command: "finer", does: "" },
    { keys: ["<", "Shift+<"], command: "line earlier", does: "bar line earlier or later", shown: "<  >" },
    { keys: [">", "Shift+>"], command: "line later", does: "" },
    { keys: ["("], command: "one earlier", does: "the 1 a beat earlier or later", shown: "(  )" },
    { keys: [")"], command: "one later", does: "" },
    { keys: ["Shift+M"], command: "mend bars", does: "what mends bars that disagree with the hits", shown: "M" },
    { keys: ["s"], command: "section", does: "name a section; words over the bar", shown: "s S" },
    { keys: ["Shift+S"], command: "cue", does: "" }
  ] },
  { group: "Marks", shortcuts: [
    { keys: ["Shift+F"], command: "mark fill", does: "a fill from here (or the selected bars)", shown: "F" },
    { keys: ["Shift+E"], command: "end fill", does: "the fill ends with this column", shown: "E" },
    { keys: ["q"], command: "next mark", does: "next or previous proposed mark", shown: "q Q" },
    { keys: ["Shift+Q"], command: "previous mark", does: "" },
    { keys: ["u"], command: "drop mark", does: "not a fill; take the mark away" },
    { keys: ["w"], command: "word mark", does: "words of the mark" }
  ] },
  { group: "Listen", shortcuts: [
    { keys: [" "], command: "play", does: "play or stop", shown: "Space" },
    { keys: ["l"], command: "loop", does: "loop on or off" },
    { keys: ["y"], command: "compare", does: "hear the recording, the chart, both by turns" },
    { keys: ["t"], command: "tap", does: "while it plays: tap every “1” (T: every beat)", shown: "t T" },
    { keys: ["Shift+T"], command: "tap beats", does: "" }
  ] },
  { group: "Chart", shortcuts: [
    { keys: ["Ctrl+Z"], command: "undo", does: "undo, redo", shown: "Ctrl Z, Ctrl Y" },
    { keys: ["Ctrl+Y", "Ctrl+Shift+Z"], command: "redo", does: "" },
    { keys: ["Ctrl+S"], command: "save", does: "save; export the score", shown: "Ctrl S, Ctrl E" },
    { keys: ["Ctrl+E"], command: "export", does: "" },
    { keys: ["?", "Shift+?"], command: "keys", does: "this list" }
  ] }
];
var BY_KEY = new Map(SHORTCUTS.flatMap(({ shortcuts }) => shortcuts.flatMap((s) => s.keys.map((k) => (
  /** @type {[string, Shortcut]} */
  [k, s]
)))));
function keyName(event) {
  const parts = [];
  if (event.ctrlKey || event.metaKey) parts.push("Ctrl");
  if (event.altKey) parts.push("Alt");
  const letter = event.key.length === 1 && event.key.toLowerCase() !== event.key.toUpperCase();
  if (event.shiftKey && (event.key.length > 1 || letter)) parts.push("Shift");
  parts.push(letter ? parts.length ? event.key.toUpperCase() : event.key.toLowerCase() : event.key);
  return parts.join("+");
}
var shortcutOf = (event) => BY_KEY.get(keyName(event));

// js/furniture.js
function hearingHint(view) {
  const hint = make("div", "wbg-hint", { role: "note" });
  const text = make("span", "");
  text.textContent = "Before you listen: start with the volume low. Loud loops on headphones harm hearing; take breaks.";
  const button3 = make("button", "", { type: "button" });
  button3.textContent = "Understood";
  button3.addEventListener("click", () => {
    view.set("hearing_hint", false);
    hint.hidden = true;
    view.takeKeys();
  });
  hint.append(text, button3);
  hint.hidden = !view.model.get("hearing_hint");
  return hint;
}
function fillKeyList(panel, hide) {
  const close = make("button", "wbg-close", { type: "button", "aria-label": "Hide the list of keys" });
  close.textContent = "hide";
  close.addEventListener("click", () => hide());
  const title = make("div", "wbg-keys-title");
  title.textContent = "Mouse";
  const mouse = make("p", "");
  mouse.textContent = "Click: write where nothing is, choose what is there. Double click: remove. Drag a hit: move it. Drag from an empty place: choose hits; Shift click: up to here; Ctrl click: this one too; a row's name: the whole row, right click there: its doubts and possible hits. Alt click: write between columns. Right click, or a long touch: menu. Drag bar numbers: select bars; with Ctrl: copy a bar, or the selected ones, onto others. Drag a bar line in the waveform: move it. Ctrl wheel, or two fingers: fewer or more bars in a line.";
  panel.setAttribute("role", "dialog");
  panel.setAttribute("aria-label", "Keys and mouse");
  const text = make("div", "wbg-keys-text");
  text.append(title, mouse);
  panel.append(close, text);
  for (const { group, shortcuts } of SHORTCUTS) {
    const name = make("div", "wbg-keys-title");
    name.textContent = group;
    const list = make("div", "wbg-keys-list", { role: "list" });
    for (const s of shortcuts) {
      if (!s.does) continue;
      const entry = make("div", "wbg-key", { role: "listitem" });
      const key = make("span", "wbg-key-name");
      key.textContent = s.shown || s.keys[0];
      const does = make("span", "");
      does.textContent = s.does;
      entry.append(key, does);
      list.append(entry);
    }
    text.append(name, list);
  }
}
function make(tag, className, attributes = {}) {
  const e = document.createElement(tag);
  if (className) e.className = className;
  for (const [name, value2] of Object.entries(attributes)) e.setAttribute(name, value2);
  return e;
}

// js/surfaces.js
var ONE_SURFACE = [
  [
    "open hi-hat",
    "closed hi-hat"
  ],
  [
    "ride",
    "ride bell"
  ],
  [
    "snare",
    "side stick"
  ]
];

// js/timeline.js
var SIZES = {
  gutter: 108,
  pad: 14,
  head: 22,
  wave: 36,
  spectrum: 32,
  marks: 16,
  counts: 19,
  gap: 12,
  row: 26,
  lowRow: 18,
  folded: 8
};
var LONGEST_PHRASE = 8;
var READABLE_PX = 15;
var READABLE_LINES = [4, 2];
var READABLE_SHARE = 0.85;
var CLOSE_SHARE = 1 / 3;
var gaps = /* @__PURE__ */ new WeakMap();
function gapsOf(written2) {
  let found = gaps.get(written2);
  if (found) return found;
  const last = /* @__PURE__ */ new Map();
  found = written2.notes.map(() => Infinity);
  written2.notes.forEach((note, k) => {
    const at = valueOf(parseFraction(note.at));
    const before = last.get(note.instrument);
    if (before) {
      found[k] = at - before.at;
      found[before.k] = Math.min(found[before.k], at - before.at);
    }
    last.set(note.instrument, { at, k });
  });
  gaps.set(written2, found);
  return found;
}
var finest = /* @__PURE__ */ new WeakMap();
function finestOf(written2) {
  if (!finest.has(written2)) {
    const near = [...gapsOf(written2)].sort((a, b) => a - b);
    finest.set(written2, Math.min(1 / 8, near[Math.floor(near.length * CLOSE_SHARE)] ?? 1));
  }
  return finest.get(written2);
}
function readableBars(chart, width) {
  const room = width - SIZES.gutter - 2 * SIZES.pad;
  const needed = chart.bars.map((written2, k) => valueOf(lengthOf(chart.time_map.bars[k])) / finestOf(written2) * READABLE_PX).sort((a, b) => a - b);
  const usual = needed[Math.min(Math.floor(needed.length * READABLE_SHARE), needed.length - 1)];
  return READABLE_LINES.find((count3) => count3 * usual <= room) ?? 1;
}
function rowHeights(played, sheetHeight, shown2, marks) {
  const tall = played.filter(Boolean).length;
  const room = () => sheetHeight - SIZES.head - SIZES.counts - (shown2.wave ? SIZES.wave : 0) - (shown2.spectrum ? SIZES.spectrum : 0) - (marks ? SIZES.marks : 0) - (played.length - tall) * SIZES.folded;
  if (room() < tall * SIZES.lowRow) shown2.spectrum = false;
  const height = Math.min(Math.max(Math.floor(room() / Math.max(tall, 1)), SIZES.lowRow), SIZES.row);
  return played.map((yes) => yes ? height : SIZES.folded);
}
function layoutSheet(chart, width, barsPerLine, rowHeights2, shown2 = { wave: true, spectrum: true }) {
  const timed = chart.time_map.bars;
  const lengths = timed.map((b) => valueOf(lengthOf(b)));
  const usual = median(lengths);
  const sections = new Set(chart.sections.map((s) => s.bar_index));
  const lines = [];
  const top = SIZES.head;
  const waveY = top;
  const spectrumY = waveY + (shown2.wave ? SIZES.wave : 0);
  const marksY = spectrumY + (shown2.spectrum ? SIZES.spectrum : 0);
  const countsY = marksY + (chart.marks.length ? SIZES.marks : 0);
  const rowsY = countsY + SIZES.counts;
  const rowTops = [];
  let bottom = rowsY;
  for (const h of rowHeights2) {
    rowTops.push(bottom);
    bottom += h;
  }
  const height = bottom + SIZES.gap;
  let first = 0;
  let start = 0;
  const room = Math.max(width - SIZES.gutter - 2 * SIZES.pad, 50);
  while (first < timed.length) {
    let count3 = barsPerLine + (first === 0 && timed[0].length ? 1 : 0);
    if (barsPerLine <= LONGEST_PHRASE) {
      for (let k = 1; k < count3; k++) if (sections.has(first + k) && !(first + k === 1 && timed[0].length)) count3 = k;
    }
    const last = Math.min(first + count3, timed.length);
    const total = lengths.slice(first, last).reduce((a, b) => a + b, 0);
    const scale = room / Math.max(total, usual * Math.min(barsPerLine, timed.length));
    const left = SIZES.gutter + SIZES.pad;
    const bars2 = [];
    let at = 0;
    for (let bar = first; bar < last; bar++) {
      bars2.push({ bar, x: left + at * scale, width: lengths[bar] * scale });
      at += lengths[bar];
    }
    lines.push({
      index: lines.length,
      first,
      last,
      start,
      total,
      left,
      right: left + total * scale,
      scale,
      bars: bars2,
      y: lines.length * height
    });
    start += total;
    first = last;
  }
  return {
    lines,
    lineHeight: height,
    height: lines.length * height,
    width,
    waveY,
    spectrumY,
    marksY,
    countsY,
    rowsY,
    rowTops,
    rowHeights: rowHeights2,
    rowsBottom: bottom
  };
}
function median(xs) {
  const sorted = xs.slice().sort((a, b) => a - b);
  return sorted[sorted.length >> 1];
}
function lineOf(sheet, bar) {
  let low = 0;
  let high = sheet.lines.length - 1;
  while (low < high) {
    const mid = low + high + 1 >> 1;
    if (sheet.lines[mid].first <= bar) low = mid;
    else high = mid - 1;
  }
  return sheet.lines[low];
}
function xOf(sheet, bar, position) {
  const line3 = lineOf(sheet, bar);
  return line3.bars[bar - line3.first].x + position * line3.scale;
}
var xOfTime = (line3, time, seconds) => line3.left + (notesAt(time, seconds) - line3.start) * line3.scale;
function timeAtX(line3, time, x) {
  const notes = line3.start + (x - line3.left) / line3.scale;
  return secondsAt(time, 0, notes);
}
function linesInView(sheet, top, height) {
  const first = Math.max(Math.floor(top / sheet.lineHeight), 0);
  const last = Math.min(Math.ceil((top + height) / sheet.lineHeight), sheet.lines.length);
  return sheet.lines.slice(first, Math.max(last, first));
}
function hitTest(sheet, x, y) {
  const line3 = sheet.lines[Math.floor(y / sheet.lineHeight)];
  if (!line3 || y < 0) return { zone: "none" };
  const dy = y - line3.y;
  const row = rowAt(sheet, dy);
  const zone = dy < sheet.waveY ? "head" : dy < sheet.spectrumY ? "wave" : dy < sheet.marksY ? "spectrum" : dy < sheet.countsY ? "marks" : dy < sheet.rowsY ? "counts" : dy < sheet.rowsBottom ? "rows" : "none";
  if (x < SIZES.gutter) return { zone: zone === "rows" ? "names" : "none", line: line3, row };
  let k = line3.bars.length - 1;
  while (k > 0 && x < line3.bars[k].x) k -= 1;
  const bar = line3.bars[k];
  return { zone, line: line3, bar: bar.bar, row, position: (x - bar.x) / line3.scale };
}
var rowAt = (sheet, dy) => Math.max(sheet.rowTops.filter((top) => top <= dy).length - 1, 0);
var rowBase = (sheet, row) => sheet.rowTops[row] + sheet.rowHeights[row] * (sheet.rowHeights[row] < 12 ? 0.5 : 0.7);
function nearestColumn(chart, bar, position) {
  const columns = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  const end = valueOf(lengthOf(chart.time_map.bars[bar]));
  let best = columns[0];
  for (const c of columns) if (Math.abs(valueOf(c.at) - position) < Math.abs(valueOf(best.at) - position)) best = c;
  if (bar + 1 < chart.bars.length && end - position < Math.abs(valueOf(best.at) - position)) {
    return { bar: bar + 1, at: "0" };
  }
  return { bar, at: textOf(best.at) };
}
var BETWEEN = [[1, 4], [1, 3], [1, 2], [2, 3], [3, 4]].map(([n, d]) => fraction(n, d));
function nearestBetween(chart, bar, position) {
  const columns = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  const before = columns.filter((c) => valueOf(c.at) <= position).pop() || columns[0];
  const spots = BETWEEN.map((part) => add(before.at, multiply(before.step, part)));
  spots.sort((a, b) => Math.abs(valueOf(a) - position) - Math.abs(valueOf(b) - position));
  const end = lengthOf(chart.time_map.bars[bar]);
  const inside = spots.find((s) => compare(s, end) < 0);
  return { bar, at: textOf(inside || before.at) };
}
function neighbourColumn(chart, place2, direction) {
  const at = parseFraction(place2.at);
  const columns = columnsOf(chart.time_map.bars[place2.bar], chart.bars[place2.bar].subdivisions);
  const found = direction > 0 ? columns.find((c) => compare(c.at, at) > 0) : columns.filter((c) => compare(c.at, at) < 0).pop();
  if (found) return { bar: place2.bar, at: textOf(found.at) };
  const bar = place2.bar + direction;
  if (bar < 0 || bar >= chart.bars.length) return null;
  const next = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  return { bar, at: textOf((direction > 0 ? next[0] : next[next.length - 1]).at) };
}
function neighbourBetween(chart, place2, direction) {
  const at = parseFraction(place2.at);
  const end = lengthOf(chart.time_map.bars[place2.bar]);
  const columns = columnsOf(chart.time_map.bars[place2.bar], chart.bars[place2.bar].subdivisions);
  const spots = columns.flatMap((c) => [c.at, ...BETWEEN.map((part) => add(c.at, multiply(c.step, part)))]).filter((s) => compare(s, end) < 0).sort(compare);
  const found = direction > 0 ? spots.find((s) => compare(s, at) > 0) : spots.filter((s) => compare(s, at) < 0).pop();
  return found ? { bar: place2.bar, at: textOf(found) } : neighbourColumn(chart, place2, direction);
}
function samePlace(chart, place2, bar) {
  const end = lengthOf(chart.time_map.bars[bar]);
  if (compare(parseFraction(place2.at), end) < 0) return { bar, at: place2.at };
  const columns = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  return { bar, at: textOf(columns[columns.length - 1].at) };
}

// js/possible.js
var known = /* @__PURE__ */ new WeakMap();
var areRivals = (a, b) => a !== b && ONE_SURFACE.some((names) => names.includes(a) && names.includes(b));
var isSettled = (written2, at, instrument) => written2.done || written2.notes.some((n) => n.at === at && (n.instrument === instrument || n.confirmed && areRivals(n.instrument, instrument)));
function placeOfPossible(chart, time, hit) {
  const { bar, position } = placeAt(time, hit.time_s);
  return nearestColumn(chart, bar, position);
}
function possibleByBar(chart, time) {
  const found = known.get(chart);
  if (found?.time === time) return found.byBar;
  const byBar = /* @__PURE__ */ new Map();
  for (const hit of chart.possible_hits || []) {
    const place2 = placeOfPossible(chart, time, hit);
    if (isSettled(chart.bars[place2.bar], place2.at, hit.instrument)) continue;
    if (!byBar.has(place2.bar)) byBar.set(place2.bar, []);
    byBar.get(place2.bar).push({ ...hit, ...place2 });
  }
  known.set(chart, { time, byBar });
  return byBar;
}
var possibleOf = (chart, time, [first, last]) => [...possibleByBar(chart, time).values()].flat().filter((h) => h.bar >= first && h.bar <= last).sort((a, b) => a.bar - b.bar || compare(parseFraction(a.at), parseFraction(b.at)));
var possibleAt = (chart, time, { bar, at, instrument }) => possibleByBar(chart, time).get(bar)?.find((h) => h.at === at && h.instrument === instrument);
var answerEdits = (hits2, yes) => hits2.map(({ time_s, instrument }) => ({ edit: yes ? "accept possible hit" : "refuse possible hit", time_s, instrument }));
var doubtWords = (doubts, possible, hits2 = false) => [
  doubts && `${doubts}${hits2 ? ` hit${doubts > 1 ? "s" : ""}` : ""} in doubt`,
  possible && `${possible} possible`
].filter(Boolean).join(", ");
function describePossible(chart, hit) {
  const place2 = thePlace(chart.time_map.bars[hit.bar], parseFraction(hit.at));
  const reason = (hit.reason || "it may have been played").replace(/\.$/, "").replace(/^It /, "it ");
  return `perhaps ${withArticle(hit.instrument)} on ${place2}: ${reason}; k writes it, x refuses it`;
}

// js/bars.js
var HEARD_S = 20;
var CLICK_LEVEL = 0.7;
var SAME_TIME_S = 2e-3;
var LIKELY_PERCENT = 5;
var adviceOf = (session) => session.info.bars || { now: "", others: [], dispute: "", faults: [] };
var isBeingWeighed = ({ info, advised, confirmed }) => Boolean(info.bars) && advised !== confirmed.time_map;
var faultsOf = (session) => adviceOf(session).faults.filter((f) => f.last_bar < session.chart.bars.length);
function faultBars(chart, fault) {
  const said = barsSaid(chart, fault.first_bar, fault.last_bar);
  return said[0].toUpperCase() + said.slice(1);
}
function withFaults(view, doubts) {
  const out = doubts.slice();
  for (const fault of faultsOf(view.session)) {
    const at = out.findIndex((d) => d.bar >= fault.first_bar);
    out.splice(at < 0 ? out.length : at, 0, { bar: fault.first_bar, at: "0", instrument: view.rows[0], fault });
  }
  return out;
}
function samePlaceHeard(place2, before, after) {
  const { bar, at, instrument } = place2;
  const possible = possibleAt(before.chart, before.time, place2);
  const note = noteAt(before.chart, bar, at, instrument);
  const seconds = possible?.time_s ?? timeOfHit(before.time, bar, note || { at });
  const there = placeAt(after.time, seconds);
  const near = [there.bar, there.bar - 1, there.bar + 1];
  for (const b of possible || note ? near : []) {
    const same = possible ? possibleByBar(after.chart, after.time).get(b)?.find((h) => h.time_s === seconds && h.instrument === instrument) : after.chart.bars[b]?.notes.find((n) => n.instrument === instrument && Math.abs(timeOfHit(after.time, b, n) - seconds) < SAME_TIME_S);
    if (same) return { bar: b, at: same.at, instrument };
  }
  return { ...nearestColumn(after.chart, there.bar, there.position), instrument };
}
var timeOfHit = (time, bar, { at, deviation_s = 0 }) => secondsAt(time, bar, valueOf(parseFraction(at))) + deviation_s;
function faultWords(session) {
  const n = faultsOf(session).length;
  return n ? `${n} place${n > 1 ? "s" : ""} where bars and hits disagree` : "";
}
var sayFault = (view, fault) => view.say(
  `${faultBars(view.chart, fault)}: bar lines and hits disagree here, ${fault.words}. M does “${fault.mends}”.`
);
function settled(session) {
  const { dispute } = adviceOf(session);
  return dispute ? `By the recording ${dispute}. Hear and take it above the sheet; or fix the bar lines if they are right.` : "Bar lines and hits agree.";
}
function faultMeant(view) {
  const faults = faultsOf(view.session);
  const { bar } = view.cursor;
  return faults.find((f) => f.first_bar <= bar && bar <= f.last_bar) || faults[0];
}
function mend(view, fault) {
  const bars2 = faultBars(view.chart, fault).toLowerCase();
  view.edit(fault.edit);
  view.say(`${fault.mends} (${bars2}); every hit stays where it was heard.`);
}
function levelsOf(settings, passage) {
  if (passage?.reading === void 0) return settings;
  return {
    ...settings,
    chart: { ...settings.chart, level: 0 },
    click: { ...settings.click, level: Math.max(settings.click.level, CLICK_LEVEL) }
  };
}
var soundOf = (source, passage) => source === "click" && passage.reading >= 0 ? `reading ${passage.reading}` : source;
var BAR_COMMANDS = {
  "mend bars": (view) => {
    if (isBeingWeighed(view.session)) return view.say("The bars have just changed, and are being compared with the hits. Press M again in a moment.");
    const fault = faultMeant(view);
    if (!fault) return view.say(settled(view.session));
    mend(view, fault);
  },
  "lay anew": (view) => view.session.do({ command: "lay anew", bar_index: view.cursor.bar })
};
var BarLines = class {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-bars", { role: "region", "aria-label": "How the bars lie" });
    this.element.hidden = true;
    this.told = null;
    this.element.addEventListener("pointerdown", (event) => event.preventDefault());
    this.element.addEventListener("click", (event) => event.detail && view.takeKeys());
  }
  update() {
    const { view } = this;
    if (!view.chart) return;
    const { now: now2, others: all } = adviceOf(view.session);
    const faults = faultsOf(view.session);
    const { listening } = view.session.info;
    const heard = view.listener.playing?.passage.reading;
    const wanted = view.toolbar.opened === "Bar lines";
    const told = [view.session.info.bars, listening, heard, wanted, view.chart.bars.length];
    if (told.every((x, k) => x === this.told?.[k])) return;
    this.told = told;
    const others = all.filter(({ percent: percent2, reading }) => wanted || percent2 >= LIKELY_PERCENT || reading === heard);
    const lines = [];
    if (others.length || wanted && now2) lines.push(this.readings(now2, others, heard));
    if (listening) lines.push(line("wbg-bars-line", `Laying the bars anew by ear: ${listening} …`));
    for (const fault of faults) lines.push(this.fault(fault));
    this.element.replaceChildren(...lines);
    this.element.hidden = !lines.length;
    view.fit();
  }
  /** "4/4 at 110 (80 %) It may also be 4/4 at 220 (12 %)", each to hear, the others to take. */
  readings(now2, others, heard) {
    const box = line("wbg-bars-line", `Bars: ${now2}`);
    box.append(this.hear(-1, now2, heard), ...others.length ? ["It may also be"] : []);
    for (const { reading, words: words2, percent: percent2 } of others) {
      const one = make("span", "wbg-reading");
      one.append(`${words2} (${percent2 || "under 1"} %)`, this.hear(reading, words2, heard), button("Take", `Lay the bars so: ${words2}`, () => {
        this.view.session.do({ command: "take reading", reading });
        this.view.say(`Bars laid anew: ${words2}. Every hit stays where it was heard; Ctrl Z goes back.`);
      }));
      box.append(one);
    }
    return box;
  }
  hear(reading, words2, heard) {
    const on = heard === reading;
    const b = button(on ? "Stop" : "Hear", `The recording with the click of these bars, from the cursor's bar on: ${words2}`, () => {
      if (on) this.view.listener.stop();
      else this.view.listener.play(passageOf(this.view, reading));
    });
    b.setAttribute("aria-pressed", String(on));
    return b;
  }
  fault(fault) {
    const { view } = this;
    const bars2 = faultBars(view.chart, fault);
    const box = line("wbg-bars-line wbg-fault", `${bars2}: bar lines and hits disagree here, ${fault.words}.`);
    box.append(
      button("Show", "Key: n", () => view.moveCursor({ ...view.cursor, bar: fault.first_bar, at: "0" })),
      button(fault.mends, "Mends it; every hit stays where it was heard · Key: M", () => mend(view, fault)),
      button("Lines are right", "Fixes these lines: nothing is said of them any more", () => view.edit(fault.leave))
    );
    return box;
  }
};
function passageOf(view, reading) {
  const { bars: bars2, end_s } = view.chart.time_map;
  const [first, last] = view.selection || [view.cursor.bar, bars2.length - 1];
  const start_s = bars2[first].beats_s[0];
  const end = last + 1 < bars2.length ? bars2[last + 1].beats_s[0] : end_s;
  return {
    start_s,
    end_s: view.selection ? end : Math.min(end, start_s + HEARD_S),
    reading,
    loop: false,
    speed_percent: view.model.get("speed_percent"),
    count_in_bars: 0
  };
}
function line(className, words2) {
  const box = make("div", className);
  box.append(make("span", ""));
  box.firstChild.textContent = words2;
  return box;
}
function button(words2, title, act) {
  const b = make("button", "wbg-button", { type: "button", title });
  b.textContent = words2;
  b.addEventListener("click", act);
  return b;
}
function drawFaults(g, { sheet, palette, faults }, row) {
  for (const fault of faults) {
    const bars2 = row.bars.filter((b) => b.bar >= fault.first_bar && b.bar <= fault.last_bar);
    if (!bars2.length) continue;
    g.fillStyle = palette.doubt;
    const from = bars2[0].x;
    const last = bars2[bars2.length - 1];
    g.fillRect(from, sheet.waveY - 4, last.x + last.width - from - 2, 2);
    g.fillRect(from, sheet.waveY - 4, 2, 10);
  }
}

// js/edits.js
function showAtOnce(chart, edit) {
  switch (edit.edit) {
    case "add note":
      return withBar(chart, edit.bar_index, (notes) => [...without(notes, edit.note.at, edit.note.instrument), edit.note]);
    case "remove note":
      return withBar(chart, edit.bar_index, (notes) => without(notes, edit.position, edit.instrument));
    case "move note": {
      const note = find(chart, edit);
      if (!note) return chart;
      const { confidence, deviation_s, ...kept2 } = note;
      const moved = { ...kept2, at: edit.to_position, instrument: edit.to_instrument, confirmed: true };
      const removed = withBar(chart, edit.bar_index, (notes) => without(notes, edit.position, edit.instrument));
      return withBar(removed, edit.to_bar_index, (notes) => [...without(notes, moved.at, moved.instrument), moved]);
    }
    case "change note": {
      const note = find(chart, edit);
      if (!note) return chart;
      const changed = { ...note };
      for (const field2 of ["velocity", "articulations", "sticking", "confirmed", "deviation_s"]) {
        if (edit[field2] !== void 0) changed[field2] = edit[field2];
      }
      return withBar(chart, edit.bar_index, (notes) => notes.map((n) => n === note ? changed : n));
    }
    case "set bars": {
      const bars2 = chart.bars.slice();
      edit.bars.forEach((b, k) => {
        if (edit.first_bar + k < bars2.length) bars2[edit.first_bar + k] = b;
      });
      return { ...chart, bars: bars2 };
    }
    case "set subdivisions": {
      if (!chart.bars[edit.bar_index]) return chart;
      const bars2 = chart.bars.slice();
      bars2[edit.bar_index] = { ...bars2[edit.bar_index], subdivisions: edit.subdivisions };
      return { ...chart, bars: bars2 };
    }
    case "set done": {
      const bars2 = chart.bars.slice();
      for (let k = edit.first_bar; k <= edit.last_bar && k < bars2.length; k++) {
        const { done, ...bar } = bars2[k];
        bars2[k] = edit.done ? { ...bar, notes: bar.notes.map((n) => ({ ...n, confirmed: true })), done: true } : bar;
      }
      return { ...chart, bars: bars2 };
    }
    case "refuse possible hit":
      return { ...chart, possible_hits: chart.possible_hits.filter(
        (h) => h.time_s !== edit.time_s || h.instrument !== edit.instrument
      ) };
    case "accept possible hit": {
      const hit = chart.possible_hits.find((h) => h.time_s === edit.time_s && h.instrument === edit.instrument);
      if (!hit) return chart;
      const left = { ...chart, possible_hits: chart.possible_hits.filter((h) => h !== hit) };
      const time = timeOf(chart.time_map);
      const { bar, at } = placeOfPossible(chart, time, hit);
      if (isSettled(chart.bars[bar], at, hit.instrument)) return left;
      const late = hit.time_s - secondsAt(time, bar, valueOf(parseFraction(at)));
      const note = { at, instrument: hit.instrument, velocity: hit.velocity, deviation_s: late, confirmed: true };
      return withBar(left, bar, (notes) => [...notes.filter((n) => n.confirmed || n.at !== at || !areRivals(n.instrument, hit.instrument)), note]);
    }
    case "set mark":
      return { ...chart, marks: [...withoutMark(chart.marks, edit.mark.kind, edit.mark.start), edit.mark] };
    case "remove mark":
      return { ...chart, marks: withoutMark(chart.marks, edit.mark_kind, edit.start) };
    case "together":
      return edit.edits.reduce(showAtOnce, chart);
    default:
      return chart;
  }
}
function withChange(chart, parts, shown2 = chart) {
  const { bars: bars2, time_bars, end_s, ...rest } = parts;
  const next = { ...chart, ...rest };
  if (Array.isArray(bars2)) next.bars = bars2;
  else if (bars2) {
    next.bars = chart.bars.slice();
    for (const [k, written2] of Object.entries(bars2)) {
      const known3 = shown2.bars[Number(k)];
      next.bars[Number(k)] = JSON.stringify(known3) === JSON.stringify(written2) ? known3 : written2;
    }
  }
  if (time_bars) {
    const timed = chart.time_map.bars.slice();
    for (const [k, bar] of Object.entries(time_bars)) timed[Number(k)] = bar;
    next.time_map = { bars: timed, end_s };
  }
  return next;
}
function withBar(chart, bar, change) {
  const written2 = chart.bars[bar];
  if (!written2) return chart;
  const bars2 = chart.bars.slice();
  const notes = change(written2.notes);
  notes.sort((a, b) => compare(parseFraction(a.at), parseFraction(b.at)));
  bars2[bar] = { ...written2, notes };
  return { ...chart, bars: bars2 };
}
var without = (notes, at, instrument) => notes.filter((n) => n.at !== at || n.instrument !== instrument);
var withoutMark = (marks, kind, [bar, at]) => marks.filter((m) => m.kind !== kind || m.start[0] !== bar || m.start[1] !== at);
var find = (chart, edit) => chart.bars[edit.bar_index]?.notes.find((n) => n.at === edit.position && n.instrument === edit.instrument);
var PLAIN_VELOCITY = 80;
var FEWEST_USUAL = 4;
function usualVelocity(chart, instrument) {
  const is = (n) => n.instrument === instrument && !n.articulations?.includes("ghost");
  const all = chart.bars.flatMap((b) => b.notes.filter(is).map((n) => n.velocity));
  return all.length < FEWEST_USUAL ? PLAIN_VELOCITY : all.sort((a, b) => a - b)[all.length >> 1];
}
var writtenNote = (chart, at, instrument) => ({ at, instrument, velocity: usualVelocity(chart, instrument), confirmed: true });
var copiedBars = (chart, first, last) => chart.bars.slice(first, last + 1);
function pasteEdit(chart, copied, bar, count3 = copied.length) {
  const bars2 = [];
  for (let k = 0; k < count3 && bar + k < chart.bars.length; k++) bars2.push(asWritten(copied[k % copied.length]));
  return bars2.length ? { edit: "set bars", first_bar: bar, bars: bars2 } : null;
}
function asWritten({ done, ...bar }) {
  const notes = bar.notes.map(({ confidence, deviation_s, ...n }) => ({ ...n, confirmed: true }));
  return { ...bar, notes };
}

// js/session.js
var ASK_AGAIN_MS = 4e3;
var LONGEST_WAIT_MS = 2e4;
var Session = class {
  /** @param {(message: object) => void} send @param {string} client */
  constructor(send, client) {
    this.send = send;
    this.client = client;
    this.seq = 0;
    this.revision = -1;
    this.confirmed = null;
    this.whole = false;
    this.chart = null;
    this.time = null;
    this.pending = [];
    this.info = {};
    this.advised = null;
    this.error = "";
    this.lost = false;
    this.toldDrums = /* @__PURE__ */ new Set();
    this.asked = 0;
    this.patience = ASK_AGAIN_MS;
    this.listeners = /* @__PURE__ */ new Set();
    this.ear = (_message, _buffers) => {
    };
  }
  listen(callback) {
    this.listeners.add(callback);
    return () => this.listeners.delete(callback);
  }
  changed(what = "chart") {
    for (const callback of this.listeners) callback(what);
  }
  hello(at = now()) {
    this.asked = at;
    this.send({ type: "hello", client: this.client });
  }
  /** A message may get lost while a page is opened again: ask for what has not come. */
  askAgain(at = now()) {
    const oldest = this.pending[0];
    if (this.chart && !oldest) return;
    if (at - Math.max(this.asked, oldest?.since ?? 0) <= this.patience) return;
    this.patience = Math.min(2 * this.patience, LONGEST_WAIT_MS);
    this.hello(at);
  }
  /** Send an edit (or undo, redo, save …) and show it at once where that is possible. */
  do(message) {
    this.seq += 1;
    const full = { type: "do", client: this.client, seq: this.seq, ...message };
    this.pending.push({ seq: this.seq, message: full, since: now() });
    this.error = "";
    this.send(full);
    this.rebuild();
    return this.seq;
  }
  edit(edit) {
    return edit ? this.do({ edit }) : 0;
  }
  receive(message, buffers) {
    this.lost = false;
    this.patience = ASK_AGAIN_MS;
    switch (message.type) {
      case "snapshot":
        this.confirmed = message.chart;
        this.whole = message.whole;
        this.revision = message.revision;
        this.info = message.info;
        this.advised = this.confirmed.time_map;
        for (const p of this.pending) this.send(p.message);
        this.rebuild();
        break;
      case "bars":
        if (message.revision !== this.revision) break;
        this.confirmed = { ...this.confirmed, bars: this.confirmed.bars.toSpliced(message.first, message.bars.length, ...message.bars) };
        this.whole = message.whole;
        if (this.whole) this.rebuild();
        break;
      case "change":
        if (this.confirmed && message.revision === this.revision + 1) {
          this.confirmed = withChange(this.confirmed, message.parts, this.chart);
          this.revision = message.revision;
          this.info = { ...this.info, ...message.info };
          this.answered(message.client, message.seq);
          this.rebuild();
        } else if (!this.confirmed || message.revision > this.revision) {
          this.answered(message.client, message.seq);
          this.hello();
        }
        break;
      case "answer":
        this.answered(message.client, message.seq);
        if (message.info) this.info = { ...this.info, ...message.info };
        this.notice = message.notice || "";
        this.rebuild();
        break;
      case "refused":
        this.answered(message.client, message.seq);
        this.error = message.error;
        this.rebuild();
        break;
      case "info": {
        const { notice, ...info } = message.info;
        this.info = { ...this.info, ...info };
        if (info.bars) this.advised = this.confirmed?.time_map;
        this.notice = notice || this.notice;
        this.changed("chart");
        break;
      }
      case "error":
        this.error = message.error;
        this.changed("error");
        break;
      default:
        this.ear(message, buffers);
    }
  }
  answered(client, seq) {
    if (client === this.client) this.pending = this.pending.filter((p) => p.seq !== seq);
  }
  rebuild() {
    if (!this.confirmed) return this.changed("state");
    this.chart = this.pending.reduce(
      (chart, p) => p.message.edit ? showAtOnce(chart, p.message.edit) : chart,
      this.confirmed
    );
    if (this.timeMap !== this.chart.time_map) {
      this.timeMap = this.chart.time_map;
      this.time = timeOf(this.timeMap);
    }
    this.changed("chart");
  }
};
var now = () => typeof performance === "undefined" ? Date.now() : performance.now();

// js/listening.js
var SOURCES = ["drums", "rest", "chart", "click"];
var FETCHED = ["recording", ...SOURCES];
var controlOf = (source) => source === "recording" ? "rest" : source;
var SCRUB_S = 0.11;
var SCRUB_EVERY_S = 0.06;
var LEAD_S = 0.06;
var AHEAD_S = 25;
var LOOK_EVERY_MS = 200;
var FIRST_PIECES = 3;
var MOST_KEPT = 5 * 60 * 2 * 44100;
function passageKey(passage, source, revision) {
  const { start_s, end_s, speed_percent } = passage;
  const own = ["chart", "click", "count in"].includes(source) || source.includes(" of ") ? `revision ${revision}` : "";
  const places = passage.places ? ` at ${passage.places.join(" ")}` : "";
  return `${source} ${start_s} ${end_s} ${speed_percent} ${own} ${passage.count_in_bars}${places}`;
}
function wire(context, out, level, pan) {
  const gain = context.createGain();
  gain.gain.value = level;
  const panner = context.createStereoPanner();
  panner.pan.value = pan;
  gain.connect(panner).connect(out);
  return { gain, panner };
}
function loopNode(context, buffer) {
  const node = context.createBufferSource();
  node.buffer = buffer;
  node.loop = true;
  node.loopStart = 0;
  node.loopEnd = buffer.length / buffer.sampleRate;
  return node;
}
function joinPieces(context, pieces) {
  const { sample_rate, channels } = pieces[0].message;
  const frames = pieces.reduce((n, p) => n + p.message.frames, 0);
  const buffer = context.createBuffer(channels, Math.max(frames, 1), sample_rate);
  let at = 0;
  for (const { message, samples } of pieces) {
    for (let c = 0; c < channels; c++) {
      const out = buffer.getChannelData(c);
      for (let k = 0; k < message.frames; k++) out[at + k] = samples[k * channels + c] / 32767;
    }
    at += message.frames;
  }
  return buffer;
}
var Listener = class {
  /**
   * @param {any} session @param {() => any} settings levels, pans, loop … as they are now
   * @param {(what: string) => void} changed
   */
  constructor(session, settings, changed) {
    this.session = session;
    this.settings = settings;
    this.changed = changed;
    this.context = null;
    this.kept = /* @__PURE__ */ new Map();
    this.hits = /* @__PURE__ */ new Map();
    this.waiting = /* @__PURE__ */ new Map();
    this.nextId = 1;
    this.playing = null;
    this.state = "stopped";
    this.taps = [];
  }
  /** A message with sound (or why there is none) from Python. */
  receive(message, buffers) {
    const wait = this.waiting.get(message.request);
    if (!wait) return;
    if (message.error) {
      this.waiting.delete(message.request);
      wait.fail(new Error(message.error));
      return;
    }
    const view = buffers[0];
    const samples = view.byteOffset % 2 ? new Int16Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength)) : new Int16Array(view.buffer, view.byteOffset, view.byteLength >> 1);
    const piece = { message, samples };
    wait.pieces?.push(piece);
    if (message.last) {
      this.waiting.delete(message.request);
      wait.done(wait.pieces);
    }
    wait.piece?.(piece);
  }
  /** Ask Python for one source of a passage; every piece is told to `piece` as it comes. */
  fetch(passage, source, piece) {
    source = soundOf(source, passage);
    const key = passageKey(passage, source, this.session.revision);
    if (this.kept.has(key)) {
      const pieces = this.kept.get(key);
      if (piece) pieces.forEach(piece);
      return Promise.resolve(pieces);
    }
    const promise = new Promise((done, fail) => this.ask(passage, source, { pieces: [], done, fail, piece }));
    if (source.startsWith("hit ")) return promise;
    return promise.then((pieces) => {
      this.keep(key, pieces);
      return pieces;
    });
  }
  /** @param {{pieces?: any[], done: Function, fail: Function, piece?: Function}} wait who gets it @returns {string} number of the request */
  ask(passage, source, wait, most = {}) {
    const request = `${this.session.client} ${this.nextId++}`;
    this.waiting.set(request, wait);
    this.session.send({ type: "audio", client: this.session.client, request, source, ...passage, ...most });
    return request;
  }
  keep(key, pieces) {
    this.kept.set(key, pieces);
    const size = (kept2) => kept2.reduce((n, { samples }) => n + samples.length, 0);
    let all = [...this.kept.values()].reduce((n, kept2) => n + size(kept2), 0);
    for (const [old, kept2] of this.kept) {
      if (all <= MOST_KEPT || old === key) break;
      all -= size(kept2);
      this.kept.delete(old);
    }
  }
  /**
   * Ask Python for one source of a long passage a little at a time: `piece` gets each piece, `more` asks for the next.
   * @returns {{came: Promise<void>, more: () => void, stop: () => void}} came: the first piece is here
   */
  stream(passage, source, piece) {
    let request = "";
    const came = new Promise((done, fail) => {
      const arrived = (p) => {
        piece(p);
        done();
      };
      request = this.ask(passage, soundOf(source, passage), { done, fail, piece: arrived }, { pieces: FIRST_PIECES });
    });
    return { came, more: () => this.session.send({ type: "more", request }), stop: () => {
      if (this.waiting.delete(request)) this.session.send({ type: "enough", request });
    } };
  }
  /**
   * Play bars: from start_s to end_s, again and again if `loop`.
   * @param {{start_s: number, end_s: number, speed_percent: number, count_in_bars: number,
   *   loop: boolean}} passage
   */
  async play(passage) {
    this.stop();
    const mine = this.playing = {
      passage,
      nodes: /* @__PURE__ */ new Set(),
      streams: [],
      sources: {},
      loops: {},
      here: [],
      parted: false,
      startTime: null,
      chartRevision: this.session.revision
    };
    this.state = "loading";
    this.changed("state");
    try {
      await this.sampleRate();
      const awake = this.awake().resume();
      const first = this.wanted(mine);
      const countIn = passage.count_in_bars ? this.fetch(passage, "count in") : Promise.resolve(null);
      if (passage.loop) {
        const [counted, , ...pieces] = await Promise.all([countIn, awake, ...first.map((s) => this.fetch(passage, s))]);
        if (this.playing !== mine) return;
        this.begin(mine, counted);
        first.forEach((s, k) => this.startLoop(mine, s, pieces[k], mine.startTime));
        mine.duration ??= (passage.end_s - passage.start_s) / (passage.speed_percent / 100);
        mine.here = first;
      } else {
        mine.here = first;
        await this.playOn(mine, first, countIn, awake);
      }
    } catch (error) {
      this.failed(mine, error);
    }
  }
  /**
   * Play a drum's clearest strokes in a stretch of the recording, one after the other, those at some places or all; out
   * of the drums alone where the rest is turned down.
   * @param {{name: string, called: string, places?: [number, string][]}} drum @param {{start_s: number, end_s: number}} stretch
   * @returns {Promise<string|undefined>} where they are, in words, once they sound
   */
  async playDrum({ name, called, places }, stretch) {
    this.stop();
    const mine = this.playing = { passage: { ...stretch, drum: name, called }, nodes: /* @__PURE__ */ new Set(), streams: [], startTime: null };
    this.state = "loading";
    this.changed("state");
    try {
      await this.sampleRate();
      const awake = this.awake().resume();
      const { drums, rest } = this.settings();
      const wish = { ...stretch, speed_percent: 100, count_in_bars: 0, ...places ? { places } : {} };
      const pieces = await this.fetch(wish, `${rest.level > 0 ? "recording" : "drums"} of ${name}`);
      await awake;
      if (this.playing !== mine) return void 0;
      const node = this.context.createBufferSource();
      node.buffer = joinPieces(this.context, pieces);
      mine.out = this.context.createGain();
      mine.out.gain.value = 0.7 * Math.max(drums.level, rest.level, 0.5);
      node.connect(mine.out).connect(this.context.destination);
      node.onended = () => this.playing === mine && this.stop();
      node.start();
      mine.nodes.add(node);
      this.state = "playing";
      this.changed("state");
      return pieces[0].message.places;
    } catch (error) {
      this.failed(mine, error);
      return void 0;
    }
  }
  /** What was to sound cannot: stop, and say why. */
  failed(mine, error) {
    if (this.playing !== mine) return;
    this.stop();
    this.session.error = error.message;
    this.session.changed("error");
  }
  /** What must sound by the controls as they are now. Once drums and rest are heard apart they stay so. */
  wanted(mine) {
    const settings = this.settings();
    const { drums, rest } = settings;
    mine.parted ||= drums.level !== rest.level || drums.pan !== rest.pan;
    const recording = !this.session.info.has_recording ? [] : mine.parted ? ["drums", "rest"] : ["recording"];
    return [...recording, "chart", "click"].filter((s) => settings[controlOf(s)].level > 0);
  }
  /** Sample rate of the recording, once Python has opened it. */
  async sampleRate() {
    while (!this.session.info.sample_rate) await new Promise((wait) => setTimeout(wait, 50));
    return this.session.info.sample_rate;
  }
  begin(mine, countIn) {
    const { context } = this;
    mine.out = context.createGain();
    mine.out.gain.value = 0.7;
    mine.out.connect(context.destination);
    let start = Math.ceil((context.currentTime + LEAD_S) * context.sampleRate);
    if (countIn) {
      const buffer = joinPieces(context, countIn);
      const node = context.createBufferSource();
      node.buffer = buffer;
      node.connect(mine.out);
      node.start(start / context.sampleRate);
      mine.nodes.add(node);
      mine.countInTime = start / context.sampleRate;
      start += buffer.length;
    }
    mine.startFrame = start;
    mine.startTime = start / context.sampleRate;
    for (const s of FETCHED) {
      const { level, pan } = this.settings()[controlOf(s)];
      mine.sources[s] = wire(context, mine.out, level, pan);
    }
    this.state = "playing";
    this.changed("state");
  }
  startLoop(mine, source, pieces, when) {
    const buffer = joinPieces(this.context, pieces);
    const node = loopNode(this.context, buffer);
    node.connect(mine.sources[source].gain);
    node.start(when);
    mine.nodes.add(node);
    mine.duration = buffer.length / buffer.sampleRate;
    mine.loops[source]?.stop(when);
    mine.loops[source] = node;
  }
  /** Fetch a source while its loop sounds already: it is heard from the next time round. */
  async joinLoop(mine, source) {
    const pieces = await this.fetch(mine.passage, source).catch(() => null);
    if (this.playing !== mine || !pieces) return;
    this.startLoop(mine, source, pieces, this.nextRound(mine));
  }
  nextRound(mine) {
    const rounds = Math.ceil((this.context.currentTime + 0.02 - mine.startTime) / mine.duration);
    return mine.startTime + Math.max(rounds, 0) * mine.duration;
  }
  /** Play on to the end: pieces start at their frames, set up one after another a while before. */
  async playOn(mine, first, countIn, awake) {
    const rate = this.context.sampleRate;
    const startOf = ({ message }) => (mine.startFrame + message.start) / rate;
    const schedule = (source, piece) => {
      const buffer = joinPieces(this.context, [piece]);
      const node = this.context.createBufferSource();
      node.buffer = buffer;
      node.connect(mine.sources[source].gain);
      const missed = Math.max(this.context.currentTime + 0.02 - startOf(piece), 0);
      if (missed >= buffer.duration) return;
      node.start(startOf(piece) + missed, missed);
      mine.nodes.add(node);
      node.onended = () => mine.nodes.delete(node);
    };
    const due = first.map((source) => {
      const one = { source, pieces: [], asked: FIRST_PIECES, stream: null };
      one.stream = this.stream(mine.passage, source, (piece) => {
        one.pieces.push(piece);
        one.asked = piece.message.last ? Infinity : one.asked - 1;
      });
      mine.streams.push(one.stream);
      return one;
    });
    const look = () => {
      for (const one of due) {
        if (one.pieces.length && startOf(one.pieces[0]) < this.context.currentTime + AHEAD_S) schedule(one.source, one.pieces.shift());
        if (one.pieces.length || one.asked) continue;
        one.asked = 1;
        one.stream.more();
      }
    };
    const [counted] = await Promise.all([countIn, awake, ...due.map(({ stream }) => stream.came)]);
    if (this.playing !== mine) return;
    this.begin(mine, counted);
    mine.length = (mine.passage.end_s - mine.passage.start_s) / (mine.passage.speed_percent / 100);
    look();
    mine.looking = setInterval(look, LOOK_EVERY_MS);
  }
  /** The chart was edited while its loop sounds: from the next time round the new sound is heard. */
  async renewChart() {
    const mine = this.playing;
    if (!mine?.startTime || !mine.passage.loop || !mine.here.includes("chart")) return;
    this.wish = this.session.revision;
    if (this.renewing) return;
    this.renewing = true;
    try {
      while (this.playing === mine && this.wish !== mine.chartRevision) {
        mine.chartRevision = this.wish;
        await this.joinLoop(mine, "chart");
      }
    } finally {
      this.renewing = false;
    }
  }
  /** Levels and placing as the controls say now; Python is asked only for what has not sounded yet. */
  applySettings() {
    const mine = this.playing;
    if (!mine?.startTime) return;
    const settings = this.settings();
    for (const s of FETCHED) {
      const { gain, panner } = mine.sources[s];
      gain.gain.setTargetAtTime(settings[controlOf(s)].level, this.context.currentTime, 0.01);
      panner.pan.setTargetAtTime(settings[controlOf(s)].pan, this.context.currentTime, 0.01);
    }
    const joining = this.wanted(mine).filter((s) => !mine.here.includes(s));
    if (!joining.length) return;
    mine.here = [...mine.here, ...joining];
    if (mine.passage.loop) this.joinAll(mine, joining);
    else this.play({ ...mine.passage, start_s: this.heardAt() ?? mine.passage.start_s, count_in_bars: 0 });
  }
  /** Bring sources into the loop together; drums and rest take the place of the whole recording. */
  async joinAll(mine, sources) {
    const pieces = await Promise.all(sources.map((s) => this.fetch(mine.passage, s))).catch(() => null);
    if (this.playing !== mine || !pieces) return;
    const when = this.nextRound(mine);
    sources.forEach((s, k) => this.startLoop(mine, s, pieces[k], when));
    if (mine.parted) mine.loops.recording?.stop(when);
  }
  /** The context at the recording's rate, made when something first sounds. */
  awake() {
    const rate = this.session.info.sample_rate;
    if (!rate) return null;
    if (!this.context || this.context.sampleRate !== rate) {
      this.context?.close();
      this.context = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
    }
    this.context.resume();
    return this.context;
  }
  /** Have what sounds hits at hand before one is struck: it takes page and Python a while to make. */
  async warmUp(instruments) {
    await this.sampleRate();
    this.awake();
    for (const instrument of instruments) await this.hit(instrument);
  }
  hit(instrument) {
    if (!this.hits.has(instrument)) {
      const pieces = this.fetch({ start_s: 0, end_s: 1, speed_percent: 100, count_in_bars: 0 }, `hit ${instrument}`);
      this.hits.set(instrument, pieces.then((p) => joinPieces(this.context, p)).catch(() => this.hits.delete(instrument) && null));
    }
    return this.hits.get(instrument);
  }
  /** Sound one hit, as loud as it is written. */
  async strike(instrument, velocity) {
    const context = this.state === "stopped" ? this.awake() : null;
    if (!context) return;
    const buffer = await this.hit(instrument);
    if (!buffer || this.state !== "stopped") return;
    const node = context.createBufferSource();
    node.buffer = buffer;
    const gain = context.createGain();
    gain.gain.value = (velocity / 127) ** 1.5 * 0.5;
    node.connect(gain).connect(context.destination);
    node.start();
  }
  /** A short piece of the recording at a moment of a passage, while the pointer is drawn over the waveform. */
  async scrub(passage, seconds) {
    if (this.state !== "stopped" || !this.session.info.has_recording || !this.awake()) return;
    const pieces = await this.fetch({ ...passage, speed_percent: 100, count_in_bars: 0, loop: false }, "recording").catch(() => null);
    const { context } = this;
    if (!pieces || this.state !== "stopped" || context.currentTime < (this.scrubbed || 0) + SCRUB_EVERY_S) return;
    this.scrubbed = context.currentTime;
    if (this.scrubPieces !== pieces) [this.scrubPieces, this.scrubBuffer] = [pieces, joinPieces(context, pieces)];
    const node = context.createBufferSource();
    node.buffer = this.scrubBuffer;
    const gain = context.createGain();
    const now2 = context.currentTime;
    gain.gain.setValueAtTime(0, now2);
    gain.gain.linearRampToValueAtTime(0.7, now2 + 0.01);
    gain.gain.setValueAtTime(0.7, now2 + SCRUB_S - 0.02);
    gain.gain.linearRampToValueAtTime(0, now2 + SCRUB_S);
    node.connect(gain).connect(context.destination);
    node.start(now2, Math.max(seconds - passage.start_s, 0), SCRUB_S);
  }
  stop() {
    const was = this.playing;
    this.playing = null;
    this.state = "stopped";
    if (was) {
      clearInterval(was.looking);
      for (const stream of was.streams) stream.stop();
      for (const node of was.nodes) {
        node.onended = null;
        try {
          node.stop();
        } catch {
        }
      }
      was.out?.disconnect();
      this.changed("state");
    }
  }
  /**
   * Second of the recording that leaves the loudspeaker at a moment of the page's clock.
   * @returns {number|null} null while nothing sounds; before the start (count-in) as well
   */
  heardAt(pageTime = performance.now()) {
    const mine = this.playing;
    if (!mine?.startTime) return null;
    const stamp = this.context.getOutputTimestamp();
    const heard = stamp.performanceTime ? stamp.contextTime + (pageTime - stamp.performanceTime) / 1e3 : this.context.currentTime - (this.context.outputLatency || 0);
    let passed = heard - mine.startTime;
    if (passed < 0) return null;
    const { passage } = mine;
    if (passage.loop) passed %= mine.duration;
    else if (passed > mine.length) {
      this.stop();
      return null;
    }
    return passage.start_s + passed * passage.speed_percent / 100;
  }
  /** Render what a loop sounds like, without a loudspeaker: for checks. */
  async renderLoop(passage, frames, settings = this.settings()) {
    const rate = await this.sampleRate();
    const wanted = FETCHED.filter((s) => settings[s] && (s === "chart" || s === "click" || this.session.info.has_recording));
    const offline = new OfflineAudioContext(2, frames, rate);
    for (const source of wanted) {
      const node = loopNode(offline, joinPieces(offline, await this.fetch(passage, source)));
      node.connect(wire(offline, offline.destination, settings[source].level, settings[source].pan).gain);
      node.start(0);
    }
    return offline.startRendering();
  }
};

// js/sound_picture.js
var MOST_TILES = 80;
var SoundPicture = class {
  constructor() {
    this.clear();
  }
  clear() {
    this.peaks = null;
    this.levels = null;
    this.tiles = /* @__PURE__ */ new Map();
    this.stamp = 0;
  }
  /** Take one piece. @param {any} message @param {DataView[]} buffers */
  receive(message, buffers) {
    if (message.first) {
      this.peaks = new Int8Array(2 * message.peak_count);
      this.levels = new Uint8Array(message.bands * message.frame_count);
      Object.assign(this, {
        peakRate: message.peak_rate_hz,
        frameRate: message.frame_rate_hz,
        bands: message.bands,
        frames: message.frame_count
      });
    }
    if (!this.peaks) return;
    this.peaks.set(bytes(buffers[0], Int8Array), 2 * message.peak_start);
    this.levels.set(bytes(buffers[1], Uint8Array), this.bands * message.frame_start);
    this.stamp += 1;
  }
  draw(g, state, line3) {
    if (!this.peaks) return;
    const { sheet } = state;
    if (sheet.spectrumY > sheet.waveY) {
      g.drawImage(this.tile("wave", state, line3), line3.left, sheet.waveY, widthOf(line3), SIZES.wave);
    }
    if (sheet.marksY > sheet.spectrumY) {
      g.imageSmoothingEnabled = false;
      g.drawImage(this.tile("spectrum", state, line3), line3.left, sheet.spectrumY + 1, widthOf(line3), SIZES.spectrum - 2);
    }
  }
  /** Waveform or spectrogram of a line as a picture, kept until the bars, the size or the theme change. */
  tile(kind, state, line3) {
    const { time, palette, ratio } = state;
    const name = `${kind} ${line3.index}`;
    const key = [line3.first, line3.last, line3.left, line3.scale, palette.key, ratio, this.stamp].join();
    const kept2 = this.tiles.get(name);
    if (kept2 && kept2.key === key && kept2.time === time) return kept2.tile;
    const tile = kind === "wave" ? this.waveOf(state, line3) : this.spectrumOf(state, line3);
    if (this.tiles.size > MOST_TILES) this.tiles.clear();
    this.tiles.set(name, { key, time, tile });
    return tile;
  }
  waveOf({ time, palette, ratio }, line3) {
    const width = widthOf(line3);
    const canvas = new OffscreenCanvas(Math.ceil(width * ratio), Math.ceil(SIZES.wave * ratio));
    const g = canvas.getContext("2d");
    g.scale(canvas.width / width, canvas.height / SIZES.wave);
    const middle = SIZES.wave / 2;
    const half = SIZES.wave / 2 - 1;
    g.fillStyle = palette.sound;
    const last = this.peaks.length / 2 - 1;
    let at = timeAtX(line3, time, line3.left) * this.peakRate;
    for (let x = 0; x < width; x++) {
      const next = timeAtX(line3, time, line3.left + x + 1) * this.peakRate;
      let low = 0;
      let high = 0;
      const from = Math.max(Math.floor(at), 0);
      for (let k = from; k <= Math.min(Math.max(Math.ceil(next) - 1, from), last); k++) {
        low = Math.min(low, this.peaks[2 * k]);
        high = Math.max(high, this.peaks[2 * k + 1]);
      }
      g.fillRect(x, middle - high / 127 * half, 1, Math.max((high - low) / 127 * half, 0.6));
      at = next;
    }
    return canvas.transferToImageBitmap();
  }
  spectrumOf({ time, palette }, line3) {
    const width = widthOf(line3);
    const canvas = new OffscreenCanvas(width, this.bands);
    const g = canvas.getContext("2d");
    const image = g.createImageData(width, this.bands);
    const [r, green, b] = rgb(palette.sound);
    for (let x = 0; x < width; x++) {
      const seconds = timeAtX(line3, time, line3.left + x + 0.5);
      const frame = Math.round(seconds * this.frameRate);
      for (let band = 0; band < this.bands; band++) {
        const level = frame < 0 || frame >= this.frames ? 0 : this.levels[frame * this.bands + band];
        const k = 4 * ((this.bands - 1 - band) * width + x);
        image.data[k] = r;
        image.data[k + 1] = green;
        image.data[k + 2] = b;
        image.data[k + 3] = level;
      }
    }
    g.putImageData(image, 0, 0);
    return canvas.transferToImageBitmap();
  }
};
var widthOf = (line3) => Math.max(Math.round(line3.right - line3.left), 1);
function bytes(view, Type) {
  return new Type(view.buffer, view.byteOffset, view.byteLength);
}
function rgb(colour) {
  const g = new OffscreenCanvas(1, 1).getContext("2d");
  g.fillStyle = colour;
  g.fillRect(0, 0, 1, 1);
  return g.getImageData(0, 0, 1, 1).data;
}

// js/chosen.js
var placeKey = ({ bar, at, instrument }) => `${bar} ${at} ${instrument}`;
var together = (edits, name) => edits.length > 1 ? { edit: "together", edits, name } : edits[0] || null;
var hitsAt = (chart, places) => [...places].map((p) => ({ bar: p.bar, note: noteAt(chart, p.bar, p.at, p.instrument) })).filter((h) => h.note);
function hitsOf2(chart, [first, last], wanted = () => true) {
  const found = [];
  for (let bar = first; bar <= last; bar++) {
    for (const note of chart.bars[bar].notes) if (wanted(note, bar)) found.push({ bar, note });
  }
  return found;
}
function hitsMeant({ chart, chosen, selection, cursor }) {
  if (chosen.size) return hitsAt(chart, chosen.values());
  return selection ? hitsOf2(chart, selection) : hitsAt(chart, [cursor]);
}
var place = ({ bar, note }) => ({ bar, at: note.at, instrument: note.instrument });
var chosenOf = (hits2) => new Map(hits2.map((h) => [placeKey(place(h)), place(h)]));
var changeEdit = (hits2, fields, name) => together(hits2.flatMap(({ bar, note }) => {
  const changed = fields(note);
  return changed ? [{ edit: "change note", bar_index: bar, position: note.at, instrument: note.instrument, ...changed }] : [];
}), name);
var removeEdit = (hits2, name) => together(hits2.map(({ bar, note }) => ({ edit: "remove note", bar_index: bar, position: note.at, instrument: note.instrument })), name);
function moveEdit(hits2, to, name) {
  const moves = hits2.map((h) => ({ from: place(h), to: to(place(h)) }));
  if (!moves.length || moves.some((m) => !m.to)) return null;
  const waiting = new Map(moves.map((m) => [placeKey(m.from), m]));
  const ordered = [];
  const go2 = (m) => {
    waiting.delete(placeKey(m.from));
    const inTheWay = waiting.get(placeKey(m.to));
    if (inTheWay) go2(inTheWay);
    ordered.push(m);
  };
  while (waiting.size) go2(waiting.values().next().value);
  const edits = ordered.filter((m) => placeKey(m.from) !== placeKey(m.to)).map((m) => ({
    edit: "move note",
    bar_index: m.from.bar,
    position: m.from.at,
    instrument: m.from.instrument,
    to_bar_index: m.to.bar,
    to_position: m.to.at,
    to_instrument: m.to.instrument
  }));
  return { edit: together(edits, name), places: moves.map((m) => m.to) };
}
var GHOST_VELOCITY = 40;
function articulateEdit(hits2, name, kit) {
  const able = hits2.filter(({ note }) => kit[note.instrument].articulations.includes(name));
  const has = (note) => (note.articulations || []).includes(name);
  const off = able.every(({ note }) => has(note));
  const opposite = { ghost: "accent", accent: "ghost", flam: "drag", drag: "flam" }[name];
  return changeEdit(able.filter(({ note }) => off || !has(note)), (note) => ({
    confirmed: true,
    ...name === "ghost" && !off ? { velocity: Math.min(note.velocity, GHOST_VELOCITY) } : {},
    articulations: off ? note.articulations.filter((a) => a !== name) : [...(note.articulations || []).filter((a) => a !== opposite), name].sort()
  }), name);
}
var startsByMap = /* @__PURE__ */ new WeakMap();
function startsOf(chart) {
  let starts = startsByMap.get(chart.time_map);
  if (!starts) {
    starts = [fraction(0)];
    for (const timed of chart.time_map.bars) starts.push(add(starts[starts.length - 1], lengthOf(timed)));
    startsByMap.set(chart.time_map, starts);
  }
  return starts;
}
var notesTo = (chart, { bar, at }) => add(startsOf(chart)[bar], parseFraction(at));
function placeAfter(chart, notes) {
  const starts = startsOf(chart);
  if (compare(notes, fraction(0)) < 0) return null;
  let bar = 0;
  let high = starts.length - 1;
  while (bar + 1 < high) {
    const mid = bar + high >> 1;
    if (compare(starts[mid], notes) <= 0) bar = mid;
    else high = mid;
  }
  return compare(notes, starts[high]) < 0 ? { bar, at: textOf(subtract(notes, starts[bar])) } : null;
}
var placeBeyond = (chart, to, after, offset) => placeAfter(chart, add(notesTo(chart, to), subtract(after, offset)));
function copyOf(chart, hits2) {
  const at = hits2.map((h) => notesTo(chart, place(h)));
  const first = at.reduce((a, b) => compare(a, b) <= 0 ? a : b);
  return { hits: hits2.map(({ note }, k) => {
    const { confidence, deviation_s, ...kept2 } = note;
    return { after: subtract(at[k], first), note: { ...kept2, confirmed: true } };
  }) };
}
function pasteHitsEdit(chart, copied, to) {
  const from = notesTo(chart, to);
  const written2 = copied.hits.flatMap(({ after, note }) => {
    const found = placeAfter(chart, add(from, after));
    return found ? [{ edit: "add note", bar_index: found.bar, note: { ...note, at: found.at } }] : [];
  });
  return written2.length ? {
    edit: together(written2, "paste"),
    places: written2.map((e) => ({ bar: e.bar_index, at: e.note.at, instrument: e.note.instrument }))
  } : null;
}
function everyBarEdit(chart, hits2, [first, last]) {
  const { hits: copies } = copyOf(chart, hits2);
  const written2 = [];
  for (let bar = first; bar <= last; bar++) {
    const length = lengthOf(chart.time_map.bars[bar]);
    for (const { note } of copies) {
      if (compare(parseFraction(note.at), length) >= 0 || noteAt(chart, bar, note.at, note.instrument)) continue;
      written2.push({ edit: "add note", bar_index: bar, note });
    }
  }
  return written2.length ? {
    edit: together(written2, "in every bar"),
    places: written2.map((e) => ({ bar: e.bar_index, at: e.note.at, instrument: e.note.instrument }))
  } : null;
}
function fillRowEdit(chart, instrument, [first, last]) {
  for (const parts of [1, 2, 3, 4, 6, 8, 12]) {
    const places = [];
    for (let bar = first; bar <= last; bar++) {
      for (const c of columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions)) {
        if (c.parts % parts || c.part % (c.parts / parts)) continue;
        const at = textOf(c.at);
        if (!noteAt(chart, bar, at, instrument)) places.push({ bar, at, instrument });
      }
    }
    if (places.length) {
      const velocity = usualVelocity(chart, instrument);
      return { parts, places, edit: together(places.map(({ bar, at }) => ({ edit: "add note", bar_index: bar, note: { at, instrument, velocity, confirmed: true } })), "fill row") };
    }
  }
  return null;
}
function repeatHitsEdit(chart, hits2) {
  const at = hits2.map((h) => notesTo(chart, place(h))).sort(compare);
  const { beatLength } = readMeter(chart.time_map.bars[hits2[0].bar].meter);
  const begin = Math.floor(valueOf(at[0]) / valueOf(beatLength) + 1e-9);
  const end = Math.floor(valueOf(at[at.length - 1]) / valueOf(beatLength) + 1e-9) + 1;
  const to = placeAfter(chart, add(at[0], multiply(beatLength, fraction(end - begin))));
  return to && pasteHitsEdit(chart, copyOf(chart, hits2), to);
}

// js/marks.js
var LONGEST_FILL_BARS = 2;
var comparePlaces = ([a, at], [b, bt]) => a - b || compare(parseFraction(at), parseFraction(bt));
var samePlace2 = (a, b) => comparePlaces(a, b) === 0;
var overlap = (a, b) => comparePlaces(a.start, b.end) < 0 && comparePlaces(b.start, a.end) < 0;
var covers = (mark, place2) => comparePlaces(mark.start, place2) <= 0 && comparePlaces(place2, mark.end) < 0;
var touches = (mark, bar) => overlap(mark, { start: [bar, "0"], end: [bar + 1, "0"] });
function barsLong(chart, mark) {
  let length = valueOf(parseFraction(mark.end[1])) - valueOf(parseFraction(mark.start[1]));
  for (let bar = mark.start[0]; bar < mark.end[0]; bar++) length += valueOf(lengthOf(chart.time_map.bars[bar]));
  return length / valueOf(lengthOf({ meter: chart.time_map.bars[mark.start[0]].meter }));
}
var saysNoFill = (chart, mark) => mark.kind === "groove" && Boolean(mark.confirmed) && !mark.text && barsLong(chart, mark) <= LONGEST_FILL_BARS;
var wordOf = (chart, mark) => saysNoFill(chart, mark) ? "no fill" : mark.kind;
function markMeant(chart, cursor) {
  const place2 = [cursor.bar, cursor.at];
  const rank = (mark) => {
    const long = barsLong(chart, mark);
    return [long > LONGEST_FILL_BARS ? 1 : 0, covers(mark, place2) ? 0 : 1, long];
  };
  return chart.marks.filter((m) => touches(m, cursor.bar)).map((mark) => ({ mark, rank: rank(mark) })).sort((a, b) => a.rank[0] - b.rank[0] || a.rank[1] - b.rank[1] || a.rank[2] - b.rank[2])[0]?.mark;
}
function marksMeant(chart, cursor, selection) {
  if (selection) return chart.marks.filter((m) => m.start[0] >= selection[0] && m.start[0] <= selection[1]);
  const mark = markMeant(chart, cursor);
  return mark ? [mark] : [];
}
var proposedMarks = (chart) => chart.marks.filter((m) => !m.confirmed).sort((a, b) => comparePlaces(a.start, b.start));
var removal = (mark) => ({ edit: "remove mark", mark_kind: mark.kind, start: mark.start });
var setting = (mark) => ({ edit: "set mark", mark });
function together2(edits, name) {
  return edits.length > 1 ? { edit: "together", edits, name } : edits[0] || null;
}
function fillEdit(chart, cursor, selection) {
  const start = selection ? [selection[0], "0"] : [cursor.bar, cursor.at];
  const line3 = [(selection ? selection[1] : cursor.bar) + 1, "0"];
  const inTheWay = chart.marks.filter((m) => (m.kind === "fill" || saysNoFill(chart, m)) && overlap(m, { start, end: line3 }));
  const there = inTheWay.filter((m) => m.kind === "fill").sort((a, b) => comparePlaces(b.end, a.end))[0];
  return replaced(inTheWay, { start, end: selection || !there ? line3 : there.end, text: "" });
}
function fillEndEdit(chart, cursor) {
  const next = neighbourColumn(chart, cursor, 1);
  const end = next ? [next.bar, next.at] : [cursor.bar + 1, "0"];
  const fill = chart.marks.filter((m) => m.kind === "fill" && comparePlaces(m.start, end) < 0 && m.start[0] >= cursor.bar - LONGEST_FILL_BARS).pop();
  return fill ? replaced([fill], { start: fill.start, end, text: fill.text }) : null;
}
function replaced(marks, { start, end, text }) {
  const gone = marks.filter((m) => m.kind !== "fill" || !samePlace2(m.start, start));
  return together2([...gone.map(removal), setting({ kind: "fill", start, end, text, confirmed: true })], "mark fill");
}
var keepEdit = (marks) => together2(marks.filter((m) => !m.confirmed).map((m) => setting({ ...m, confirmed: true })), "keep marks");
var wordsEdit = (mark, text) => setting({ ...mark, text, confirmed: true });
function dropEdit(chart, marks) {
  return together2(
    marks.flatMap((m) => m.kind === "fill" ? [removal(m), setting(noFill(chart, m))] : [removal(m)]),
    "drop marks"
  );
}
function noFill(chart, fill) {
  const taken = chart.marks.some((m) => m.kind === "groove" && samePlace2(m.start, fill.start));
  const later = neighbourColumn(chart, { bar: fill.start[0], at: fill.start[1] }, 1);
  const start = taken && later && comparePlaces([later.bar, later.at], fill.end) < 0 ? [later.bar, later.at] : fill.start;
  return { kind: "groove", start, end: atMost(chart, start, fill.end), text: "", confirmed: true };
}
function atMost(chart, start, end) {
  const whole = { start, end };
  if (barsLong(chart, whole) <= LONGEST_FILL_BARS) return end;
  const { meter } = chart.time_map.bars[start[0]];
  let left = add(parseFraction(start[1]), multiply(lengthOf({ meter }), fraction(LONGEST_FILL_BARS)));
  for (let bar = start[0]; ; bar++) {
    const length = lengthOf(chart.time_map.bars[bar]);
    if (compare(left, length) < 0) return [bar, textOf(left)];
    left = add(left, multiply(length, fraction(-1)));
  }
}
function piecesInLine(chart, line3) {
  const x = ([bar, at]) => bar >= line3.last ? line3.right : line3.bars[bar - line3.first].x + valueOf(parseFraction(at)) * line3.scale;
  const inLine = { start: [line3.first, "0"], end: [line3.last, "0"] };
  const spans2 = chart.marks.filter((m) => overlap(m, inLine)).map((mark) => {
    const opens = mark.start[0] >= line3.first;
    const closes = comparePlaces(mark.end, inLine.end) <= 0;
    return { mark, opens, closes, from: opens ? x(mark.start) : line3.left, to: closes ? x(mark.end) : line3.right };
  }).sort((a, b) => barsLong(chart, a.mark) - barsLong(chart, b.mark));
  const pieces = [];
  for (const span of spans2) {
    let rest = [[span.from, span.to]];
    for (const { from, to } of pieces) {
      rest = rest.flatMap(([a, b]) => to <= a || from >= b ? [[a, b]] : [[a, from], [to, b]].filter(([c, d]) => d - c > 0.5));
    }
    pieces.push(...rest.map(([from, to], k) => ({
      mark: span.mark,
      from,
      to,
      first: k === 0 && span.opens,
      opens: span.opens && from === span.from,
      closes: span.closes && to === span.to
    })));
  }
  return pieces.sort((a, b) => a.from - b.from);
}
function describeMark(chart, bar, mark) {
  const timed = chart.time_map.bars[bar];
  const place2 = ([, at]) => thePlace(timed, parseFraction(at));
  const begins = mark.start[0] === bar;
  const endsHere = mark.end[0] === bar;
  const endsWithBar = samePlace2(mark.end, [bar + 1, "0"]);
  const long = barsLong(chart, mark) > LONGEST_FILL_BARS;
  if (long && !begins) return "";
  const from = begins && (mark.start[1] !== "0" || !(endsWithBar || long)) ? ` from ${place2(mark.start)}` : "";
  const to = long ? ` to ${theBar(chart, mark.end[0] - (mark.end[1] === "0" ? 1 : 0))}` : endsHere ? `${begins ? "" : " goes on"} up to ${place2(mark.end)}` : endsWithBar ? from ? " to the end" : begins ? " of the whole bar" : " goes on to the end" : begins ? " into the next bar" : " goes on";
  const said = mark.text && mark.kind !== "fill" ? `: ${mark.text}` : "";
  return `${mark.confirmed ? "" : "proposed "}${wordOf(chart, mark)}${from}${to}${said}`;
}
var describeMarks = (chart, bar) => (chart.marks || []).filter((m) => touches(m, bar)).map((m) => describeMark(chart, bar, m)).filter(Boolean);

// js/noteheads.js
function drawHead(g, kind, x, y, r) {
  g.beginPath();
  switch (kind) {
    case "x":
    case "circle-x":
      g.moveTo(x - r * 0.8, y - r * 0.8);
      g.lineTo(x + r * 0.8, y + r * 0.8);
      g.moveTo(x + r * 0.8, y - r * 0.8);
      g.lineTo(x - r * 0.8, y + r * 0.8);
      g.stroke();
      if (kind === "circle-x") {
        g.beginPath();
        g.arc(x, y, r * 1.3, 0, Math.PI * 2);
        g.stroke();
      }
      return;
    case "diamond":
      g.moveTo(x, y - r);
      g.lineTo(x + r * 1.15, y);
      g.lineTo(x, y + r);
      g.lineTo(x - r * 1.15, y);
      break;
    case "triangle":
      g.moveTo(x, y - r);
      g.lineTo(x + r * 1.1, y + r * 0.8);
      g.lineTo(x - r * 1.1, y + r * 0.8);
      break;
    default:
      g.ellipse(x, y, r * 1.2, r * 0.88, -0.35, 0, Math.PI * 2);
  }
  g.closePath();
  g.fill();
}
var BOLD_FROM = 0.4;
var FAINTEST = 0.5;
var boldness = (error) => FAINTEST + (1 - FAINTEST) * Math.min(Math.max(error, 0) / BOLD_FROM, 1);
function drawHollow(g, x, y, r, kind, likely, palette) {
  const bold = boldness(likely);
  g.globalAlpha = bold;
  g.strokeStyle = palette.doubt;
  g.lineWidth = 0.8 + 1.2 * bold;
  g.setLineDash([2.5, 1.5]);
  g.beginPath();
  if (kind === "normal") g.ellipse(x, y, r * 1.2, r * 0.88, -0.35, 0, Math.PI * 2);
  else {
    g.moveTo(x, y - r * 1.1);
    g.lineTo(x + r * 1.1, y);
    g.lineTo(x, y + r * 1.1);
    g.lineTo(x - r * 1.1, y);
    g.closePath();
  }
  g.stroke();
  g.setLineDash([]);
  g.globalAlpha = 1;
}
var LEAST_HEAD_PX = 1.7;
function drawHit(g, { kind, x, y: base, radius: r, stemRoom, note, doubtful, heardX, palette }) {
  const ink = note.confirmed ? palette.ink : palette.pencil;
  g.fillStyle = ink;
  g.strokeStyle = ink;
  if (r < LEAST_HEAD_PX) {
    const size = Math.max(1, r);
    g.fillStyle = doubtful ? palette.doubt : ink;
    g.fillRect(x - size / 2, base - 2.5, size, 5);
    return;
  }
  const marks = note.articulations || [];
  const stem = Math.max(stemRoom, 0) * (note.velocity / 127);
  g.fillStyle = palette.paper;
  g.beginPath();
  g.arc(x, base, r + 1.4, 0, Math.PI * 2);
  g.fill();
  g.fillStyle = ink;
  const stemX = x + r * (kind === "normal" ? 1.12 : 0.95);
  g.lineWidth = r > 3 ? 1.6 : 1;
  g.beginPath();
  g.moveTo(stemX, base);
  g.lineTo(stemX, base - stem);
  g.stroke();
  g.lineWidth = kind === "normal" ? 1 : Math.max(r * 0.42, 1);
  drawHead(g, kind, x, base, r);
  g.lineWidth = 1.2;
  for (const mark of marks) drawMark(g, mark, x, base, r, stemX, stem);
  if (Math.abs(heardX - x) > 1) {
    g.strokeStyle = palette.quiet;
    g.lineWidth = 1.2;
    g.beginPath();
    g.moveTo(x, base + r + 2);
    g.lineTo(heardX, base + r + 2);
    g.moveTo(heardX, base + r);
    g.lineTo(heardX, base + r + 4);
    g.stroke();
  }
  if (doubtful) {
    const bold = boldness(1 - (note.confidence ?? 1));
    g.globalAlpha = bold;
    g.strokeStyle = palette.doubt;
    g.lineWidth = 0.6 + 1.2 * bold;
    g.setLineDash([2.5, 2]);
    g.beginPath();
    g.arc(x, base, r + 3.6, 0, Math.PI * 2);
    g.stroke();
    g.setLineDash([]);
    g.globalAlpha = 1;
    if (r > 4 && bold === 1) {
      g.fillStyle = palette.doubt;
      g.font = palette.smallBold;
      g.textAlign = "left";
      g.fillText("?", x - r - 8.5, base - 5);
    }
  }
}
function drawMark(g, mark, x, y, r, stemX, stem) {
  g.beginPath();
  switch (mark) {
    case "ghost":
      g.arc(x + r * 0.2, y, r * 1.75, Math.PI * 0.75, Math.PI * 1.25);
      g.stroke();
      g.beginPath();
      g.arc(x - r * 0.2, y, r * 1.75, -Math.PI * 0.25, Math.PI * 0.25);
      break;
    case "accent":
      g.moveTo(x - 4, y - r - 6.5);
      g.lineTo(x + 3, y - r - 4);
      g.lineTo(x - 4, y - r - 1.5);
      break;
    case "flam":
    case "drag":
      for (const k of mark === "flam" ? [1] : [1, 2]) {
        g.beginPath();
        g.ellipse(x - r * 1.1 - k * 4, y + 1, 2, 1.5, -0.35, 0, Math.PI * 2);
        g.fill();
        g.beginPath();
        g.moveTo(x - r * 1.1 - k * 4 + 2, y + 1);
        g.lineTo(x - r * 1.1 - k * 4 + 2, y - 7);
        g.stroke();
      }
      return;
    case "double":
    case "roll":
      for (const k of mark === "double" ? [0.5] : [0.3, 0.5, 0.7]) {
        g.moveTo(stemX - 3, y - Math.max(stem, 9) * k + 1);
        g.lineTo(stemX + 3, y - Math.max(stem, 9) * k - 1);
      }
      break;
    case "choke":
      g.moveTo(x + r + 4, y - 3.5);
      g.lineTo(x + r + 4, y + 3.5);
      g.moveTo(x + r + 6.5, y - 3.5);
      g.lineTo(x + r + 6.5, y + 3.5);
      break;
    case "half open":
      g.arc(x - 1, y - r - 4.5, 2.3, 0, Math.PI * 2);
      g.moveTo(x + 1.5, y - r - 8);
      g.lineTo(x - 3.5, y - r - 1);
      break;
    case "foot splash":
      g.arc(x - 1, y - r - 4.5, 2.3, 0, Math.PI * 2);
      break;
    case "rim shot":
      g.moveTo(x - r * 1.3, y + r * 1.3);
      g.lineTo(x + r * 1.3, y - r * 1.3);
      break;
    default:
      return;
  }
  g.stroke();
}

// js/drawing.js
function readPalette(element2) {
  const probe = document.createElement("span");
  element2.append(probe);
  const of = (name) => {
    probe.style.color = `var(--wbg-${name})`;
    return getComputedStyle(probe).color;
  };
  const font = getComputedStyle(element2).fontFamily || "sans-serif";
  const palette = {
    paper: of("paper"),
    ink: of("ink"),
    pencil: of("pencil"),
    quiet: of("quiet"),
    line: of("line"),
    beat: of("beat"),
    mark: of("mark"),
    doubt: of("doubt"),
    wash: of("wash"),
    sound: of("sound"),
    text: `13px ${font}`,
    small: `11.5px ${font}`,
    smallBold: `bold 11.5px ${font}`,
    bold: `bold 13px ${font}`
  };
  palette.key = [palette.paper, palette.ink, palette.sound].join();
  probe.remove();
  return palette;
}
function drawSheet(g, state, top, width, height, ratio) {
  const { sheet, palette } = state;
  const lines = linesInView(sheet, top, height);
  g.setTransform(1, 0, 0, 1, 0, 0);
  for (const line3 of lines) g.drawImage(state.pictures.of(state, line3), 0, Math.round((line3.y - top) * ratio));
  const end = lines.length ? Math.round((lines.at(-1).y + sheet.lineHeight - top) * ratio) : 0;
  g.fillStyle = palette.paper;
  g.fillRect(0, end, width * ratio, Math.max(height * ratio - end, 0));
  drawAlike(g, state, top, ratio, lines);
  drawBox(g, state, top, ratio);
}
function drawLine(g, state, line3) {
  const { sheet, palette } = state;
  g.fillStyle = palette.paper;
  g.fillRect(0, 0, sheet.width, sheet.lineHeight + 1);
  g.textBaseline = "middle";
  drawWashes(g, state, line3);
  if (sheet.marksY > sheet.waveY) state.sound?.draw(g, state, line3);
  drawRows(g, state, line3);
  for (const bar of line3.bars) drawBarFrame(g, state, line3, bar);
  drawHeads(g, state, line3);
  drawFaults(g, state, line3);
  drawMarks(g, state, line3);
  g.strokeStyle = palette.ink;
  g.lineWidth = line3.last === state.chart.bars.length ? 2.5 : 1;
  vertical(g, line3.right, sheet.waveY, sheet.rowsBottom);
  for (const bar of line3.bars) {
    drawPossible(g, state, line3, bar);
    drawHits(g, state, line3, bar);
  }
  drawCursor(g, state, line3);
  if (state.drag?.barLine !== void 0) drawDraggedLine(g, state, line3);
}
function drawWashes(g, { sheet, palette, selection, heardBar }, line3) {
  const bottom = sheet.rowsBottom;
  for (const bar of line3.bars) {
    const heard = bar.bar === heardBar;
    if (selection && bar.bar >= selection[0] && bar.bar <= selection[1]) {
      g.fillStyle = palette.wash;
      g.fillRect(bar.x, 2, bar.width, bottom - 2);
    }
    if (heard) {
      g.fillStyle = palette.wash;
      g.fillRect(bar.x, sheet.waveY, bar.width, bottom - sheet.waveY);
    }
  }
}
function drawRows(g, { sheet, palette, rows, kit, cursor, hoverRow }, line3) {
  rows.forEach((name, k) => {
    const y = Math.round(rowBase(sheet, k)) + 0.5;
    const folded = sheet.rowHeights[k] === SIZES.folded;
    g.lineWidth = 1;
    g.strokeStyle = palette.line;
    horizontal(g, line3.left - 6, line3.right, y);
    const here = cursor && cursor.instrument === name && cursor.bar >= line3.first && cursor.bar < line3.last;
    g.fillStyle = here || !folded ? palette.ink : palette.pencil;
    g.strokeStyle = g.fillStyle;
    g.textAlign = "right";
    const middle = sheet.rowTops[k] + sheet.rowHeights[k] / 2 + 1;
    if (!folded || here || k === hoverRow) {
      g.font = here ? palette.bold : folded ? palette.small : palette.text;
      if (folded) {
        g.fillStyle = palette.paper;
        g.fillRect(0, middle - 7, SIZES.gutter - 14, 14);
        g.fillStyle = palette.ink;
      }
      g.fillText(name, SIZES.gutter - 16, middle, SIZES.gutter - 18);
    }
    g.lineWidth = folded ? 1 : 1.6;
    drawHead(g, kit[name].notehead, SIZES.gutter - 5, folded ? y : middle, folded ? 2 : 4.4);
  });
}
function drawBarFrame(g, state, line3, bar) {
  const { sheet, chart, palette } = state;
  const timed = chart.time_map.bars[bar.bar];
  const bottom = sheet.rowsBottom;
  g.textAlign = "center";
  for (const beat of beatsOf(state.columns(bar.bar))) {
    const step = valueOf(beat[0].step) * line3.scale;
    const every = labelledEvery(beat[0].parts, step, LABEL_PX);
    for (const c of beat) {
      const x = bar.x + valueOf(c.at) * line3.scale;
      const onBeat = c.part === 0;
      if (step > 4 || onBeat && step * c.parts > 4) {
        g.strokeStyle = onBeat ? palette.beat : palette.line;
        g.lineWidth = 1;
        vertical(g, x, onBeat ? sheet.countsY + SIZES.counts - 3 : sheet.rowsY + 2, bottom - (onBeat ? 0 : 2));
      }
      if (every && c.part % every === 0) {
        g.font = onBeat ? palette.smallBold : palette.small;
        g.fillStyle = onBeat ? palette.ink : palette.pencil;
        g.fillText(spoken(timed, c.at), x, sheet.countsY + SIZES.counts / 2 - 1);
      }
    }
  }
  g.strokeStyle = timed.fixed ? palette.mark : palette.ink;
  g.lineWidth = bar.width > 14 ? 1.6 : 0.7;
  vertical(g, bar.x, sheet.waveY - 3, bottom);
}
var LABEL_PX = 11.5;
function beatsOf(columns) {
  const beats = [];
  for (const c of columns) {
    if (beats.at(-1)?.[0].beat === c.beat) beats.at(-1).push(c);
    else beats.push([c]);
  }
  return beats;
}
function labelledEvery(parts, step, room) {
  for (let every = 1; every <= parts; every++) if (parts % every === 0 && every * step >= room) return every;
  return 0;
}
function drawHeads(g, state, line3) {
  const { chart, palette, cursor, doubts, possible } = state;
  let taken = 0;
  for (const bar of line3.bars) {
    const timed = chart.time_map.bars[bar.bar];
    const number = barNumber(chart, bar.bar);
    const section = chart.sections.find((s) => s.bar_index === bar.bar);
    const here = cursor?.bar === bar.bar;
    const every = Math.ceil(34 / bar.width);
    let x = bar.x;
    g.textAlign = "left";
    if (x >= taken && (every < 2 || number % every === 1 || bar.bar === line3.first || section)) {
      const text = String(number);
      g.font = here ? palette.bold : palette.text;
      g.fillStyle = here ? palette.ink : palette.pencil;
      g.fillText(text, x, 11);
      x += g.measureText(text).width + 7;
    }
    if (section) x = drawSection(g, state, line3, bar, section, Math.max(x, taken));
    const before = chart.time_map.bars[bar.bar - 1];
    if ((!before || before.meter !== timed.meter) && bar.x + bar.width - x > 24) {
      g.font = palette.bold;
      g.fillStyle = palette.pencil;
      g.fillText(timed.meter, x, 11);
      x += g.measureText(timed.meter).width + 7;
    }
    const said = chart.texts.filter((t) => t.bar_index === bar.bar).map((t) => t.text).join("  ");
    if (said && bar.x + bar.width - x > 30) {
      g.font = `italic ${palette.text}`;
      g.fillStyle = palette.ink;
      g.fillText(said, x, 11, bar.x + bar.width - x - 6);
      x += Math.min(g.measureText(said).width, bar.x + bar.width - x - 6) + 7;
    }
    taken = Math.max(taken, x > bar.x ? x : 0);
    const doubt = doubtWords(doubts.get(bar.bar) || 0, possible.get(bar.bar)?.length || 0);
    const { done } = chart.bars[bar.bar];
    if (bar.width > 110 && (doubt || done)) {
      const words2 = done ? "done" : doubt;
      g.font = palette.small;
      g.fillStyle = done ? palette.pencil : palette.doubt;
      g.textAlign = "right";
      if (bar.x + bar.width - 6 - g.measureText(words2).width > taken) g.fillText(words2, bar.x + bar.width - 6, 11);
    }
  }
}
function drawSection(g, { chart, palette }, line3, bar, section, x) {
  const text = [section.label, section.name].filter(Boolean).join("  ");
  g.font = palette.bold;
  const next = line3.bars.find((b) => b.bar > bar.bar && chart.sections.some((s) => s.bar_index === b.bar));
  const room = (next ? next.x - 14 : line3.right) - x - 12;
  const w = Math.min(g.measureText(text).width, Math.max(room, 8));
  g.strokeStyle = palette.ink;
  g.lineWidth = 1;
  g.strokeRect(x + 0.5, 2.5, w + 9, 16);
  g.fillStyle = palette.ink;
  g.fillText(text, x + 5, 11, w);
  return x + w + 16;
}
function drawMarks(g, { chart, sheet, palette }, line3) {
  if (sheet.countsY === sheet.marksY) return;
  const y = sheet.marksY + 7.5;
  for (const { mark, from, to, opens, closes, first } of piecesInLine(chart, line3)) {
    const fill = mark.kind === "fill";
    const right = to - Math.min(4, (to - from) / 3);
    let left = from + (opens ? 1 : 0);
    g.strokeStyle = g.fillStyle = mark.confirmed && fill ? palette.ink : palette.pencil;
    g.lineWidth = mark.confirmed && fill ? 1.6 : 1;
    g.font = mark.confirmed && fill ? palette.smallBold : palette.small;
    g.textAlign = "left";
    const word = wordOf(chart, mark);
    const words2 = first ? [mark.text && (fill ? `${word}: ${mark.text}` : mark.text), word].find(
      (w) => w && g.measureText(w).width + 12 < right - left
    ) : void 0;
    if (opens) vertical(g, left, y, y + 5);
    if (words2) {
      const end = left + 8 + g.measureText(words2).width;
      const ink = g.fillStyle;
      g.fillStyle = palette.paper;
      g.fillRect(left + 3, sheet.marksY + 1, end - left - 4, SIZES.marks - 2);
      g.fillStyle = ink;
      g.fillText(words2, left + 4, y);
      if (opens) horizontal(g, left, left + 2, y);
      left = end;
    }
    if (!mark.confirmed) g.setLineDash([3, 3]);
    horizontal(g, left, Math.max(right, left + 1), y);
    g.setLineDash([]);
    if (closes) vertical(g, right, y, y + 5);
  }
}
function drawHits(g, state, line3, bar) {
  const { chart, time, sheet, palette, kit, rowOf, doubtBelow, chosen } = state;
  const written2 = chart.bars[bar.bar];
  const near = gapsOf(written2);
  written2.notes.forEach((note, k) => {
    const row = rowOf.get(note.instrument);
    if (row === void 0) return;
    const position = valueOf(parseFraction(note.at));
    const x = bar.x + position * line3.scale;
    const y = rowBase(sheet, row);
    const radius = Math.min(5.4, near[k] * line3.scale * 0.4, bar.width * 0.12, sheet.rowHeights[row] * 0.42);
    if (chosen.size && chosen.has(placeKey({ bar: bar.bar, at: note.at, instrument: note.instrument }))) {
      drawChosen(g, sheet, palette, x, row, radius);
    }
    const heardX = note.deviation_s ? xOfTime(line3, time, secondsAt(time, bar.bar, position) + note.deviation_s) : x;
    drawHit(g, {
      kind: kit[note.instrument].notehead,
      x,
      y,
      radius,
      stemRoom: y - sheet.rowTops[row] - 2,
      note,
      doubtful: isDoubtful(note, doubtBelow),
      heardX,
      palette
    });
  });
}
function drawChosen(g, sheet, palette, x, row, radius) {
  g.fillStyle = palette.wash;
  g.strokeStyle = palette.mark;
  g.lineWidth = 1.5;
  g.beginPath();
  g.roundRect(x - radius - 5, sheet.rowTops[row] + 1, 2 * radius + 10, sheet.rowHeights[row] - 2, 3);
  g.fill();
  g.stroke();
}
function drawPossible(g, { possible, sheet, kit, rowOf, palette, chosen }, line3, bar) {
  for (const hit of possible.get(bar.bar) || []) {
    const row = rowOf.get(hit.instrument);
    if (row === void 0) continue;
    const radius = Math.min(5.4, bar.width * 0.12, sheet.rowHeights[row] * 0.42);
    const x = bar.x + valueOf(parseFraction(hit.at)) * line3.scale;
    if (chosen.has(placeKey({ bar: bar.bar, at: hit.at, instrument: hit.instrument }))) drawChosen(g, sheet, palette, x, row, radius);
    drawHollow(g, x, rowBase(sheet, row), radius, kit[hit.instrument].notehead, hit.probability, palette);
  }
}
function drawCursor(g, { cursor, sheet, palette, rowOf, focused }, line3) {
  if (!cursor || cursor.bar < line3.first || cursor.bar >= line3.last) return;
  const x = xOf(sheet, cursor.bar, valueOf(parseFraction(cursor.at)));
  const row = rowOf.get(cursor.instrument);
  if (row === void 0) return;
  const high = Math.max(sheet.rowHeights[row], 16);
  const middle = sheet.rowTops[row] + sheet.rowHeights[row] / 2;
  g.strokeStyle = palette.mark;
  g.lineWidth = focused ? 2.5 : 1;
  g.beginPath();
  g.roundRect(x - 10.5, middle - high / 2, 21, high, 4);
  g.stroke();
  g.beginPath();
  g.moveTo(x - 4, sheet.rowsY - 1);
  g.lineTo(x + 4, sheet.rowsY - 1);
  g.lineTo(x, sheet.rowsY + 4);
  g.closePath();
  g.fillStyle = palette.mark;
  g.fill();
}
function drawAlike(g, { alike, sheet, palette, rowOf }, top, ratio, lines) {
  if (!alike.length) return;
  g.setTransform(ratio, 0, 0, ratio, 0, -top * ratio);
  g.strokeStyle = palette.mark;
  g.lineWidth = 1.2;
  g.setLineDash([3, 2]);
  for (const { bar, at, instrument } of alike) {
    const line3 = lines.find((l) => bar >= l.first && bar < l.last);
    const row = rowOf.get(instrument);
    if (!line3 || row === void 0) continue;
    const x = xOf(sheet, bar, valueOf(parseFraction(at)));
    const high = Math.max(sheet.rowHeights[row], 16);
    g.beginPath();
    g.roundRect(x - 10.5, line3.y + sheet.rowTops[row] + sheet.rowHeights[row] / 2 - high / 2, 21, high, 4);
    g.stroke();
  }
  g.setLineDash([]);
}
function drawBox(g, { drag, palette }, top, ratio) {
  if (!drag?.box) return;
  const { x0, y0, x1, y1 } = drag.box;
  g.setTransform(ratio, 0, 0, ratio, 0, -top * ratio);
  g.strokeStyle = palette.mark;
  g.fillStyle = palette.wash;
  g.lineWidth = 1;
  g.fillRect(x0, y0, x1 - x0, y1 - y0);
  g.strokeRect(x0, y0, x1 - x0, y1 - y0);
}
function drawDraggedLine(g, { drag, sheet, palette }, line3) {
  if (drag.line !== line3.index) return;
  g.strokeStyle = palette.mark;
  g.lineWidth = 2;
  g.setLineDash([4, 3]);
  vertical(g, drag.x, sheet.waveY - 3, sheet.rowsBottom);
  g.setLineDash([]);
}
function vertical(g, x, y0, y1) {
  g.beginPath();
  g.moveTo(x, y0);
  g.lineTo(x, y1);
  g.stroke();
}
function horizontal(g, x0, x1, y) {
  g.beginPath();
  g.moveTo(x0, y);
  g.lineTo(x1, y);
  g.stroke();
}
function drawOverview(g, state, width, height, ratio, inView) {
  const { chart, palette, doubts, possible, looked, selection, heardBar, cursor } = state;
  const n = chart.bars.length;
  const left = 1;
  const scale = (width - 2) / n;
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  g.fillStyle = palette.paper;
  g.fillRect(0, 0, width, height);
  g.textBaseline = "middle";
  const body = [15, height - 6];
  const fullest = Math.max(8, ...chart.bars.map((b) => b.notes.length));
  g.fillStyle = palette.wash;
  g.fillRect(left + inView[0] * scale, 0, (inView[1] - inView[0]) * scale, height);
  for (let k = 0; k < n; k++) {
    const x = left + k * scale;
    const full = chart.bars[k].notes.length / fullest * (body[1] - body[0]);
    g.fillStyle = k === heardBar ? palette.mark : palette.quiet;
    g.fillRect(x + scale * 0.14, body[1] - full, Math.max(scale * 0.72, 0.8), full);
    const seen = chart.bars[k].done || looked.has(chart.time_map.bars[k]);
    g.fillStyle = chart.bars[k].done ? palette.ink : palette.beat;
    if (seen) g.fillRect(x + scale * 0.06, body[1] + 2, Math.max(scale * 0.88, 0.8), 3);
    if (doubts.get(k) || possible.has(k)) {
      g.fillStyle = palette.doubt;
      g.fillRect(x + scale * 0.3, body[1] + 1, Math.max(scale * 0.4, 1.5), 5);
    }
  }
  const xOfPlace = ([bar, at]) => left + (bar + (bar < n ? valueOf(parseFraction(at)) / valueOf(lengthOf(chart.time_map.bars[bar])) : 0)) * scale;
  for (const mark of chart.marks) {
    if (mark.kind !== "fill") continue;
    g.fillStyle = mark.confirmed ? palette.ink : palette.pencil;
    g.fillRect(
      xOfPlace(mark.start),
      body[0] - 1.5,
      Math.max(xOfPlace(mark.end) - xOfPlace(mark.start), 2),
      mark.confirmed ? 2.5 : 1
    );
  }
  g.textAlign = "left";
  g.font = palette.small;
  chart.sections.forEach((s, k) => {
    const x = left + s.bar_index * scale;
    const end = left + (chart.sections[k + 1]?.bar_index ?? n) * scale;
    g.strokeStyle = palette.ink;
    g.lineWidth = 1;
    vertical(g, x + 0.5, 3, body[1]);
    g.fillStyle = palette.ink;
    const text = [s.label, s.name].filter(Boolean).join(" ");
    if (end - x > 14) g.fillText(text, x + 4, 8, Math.max(end - x - 6, 8));
  });
  if (selection) {
    g.strokeStyle = palette.mark;
    g.lineWidth = 2;
    g.strokeRect(left + selection[0] * scale, 1, (selection[1] + 1 - selection[0]) * scale, height - 2);
  }
  if (cursor) {
    g.fillStyle = palette.mark;
    g.fillRect(xOfPlace([cursor.bar, cursor.at]) - 1, body[0] - 3, 2, body[1] - body[0] + 3);
  }
}

// js/line_pictures.js
var MOST = 12;
function contentsOf(state, line3) {
  const { chart, cursor, selection, heardBar, drag, faults } = state;
  const inside = (first, last = first) => first < line3.last && last >= line3.first;
  const dragged = drag?.barLine !== void 0 && drag.line === line3.index;
  return [
    state.sheet,
    state.palette,
    state.ratio,
    state.rows.join(),
    state.kit,
    state.doubtBelow,
    state.sound?.stamp,
    state.hoverRow,
    chart.time_map,
    chart.sections,
    chart.texts,
    chart.marks,
    chart.possible_hits,
    cursor && inside(cursor.bar) ? `${cursor.bar} ${cursor.at} ${cursor.instrument} ${state.focused}` : "",
    selection && inside(...selection) ? selection.join() : "",
    heardBar !== void 0 && inside(heardBar) ? heardBar : "",
    state.chosen.size ? state.chosen : "",
    dragged ? drag.x : "",
    faults.filter((f) => inside(f.first_bar, f.last_bar)).map((f) => `${f.first_bar} ${f.last_bar}`).join(),
    ...chart.bars.slice(line3.first, line3.last)
  ];
}
var LinePictures = class {
  /** @param {(g: any, state: any, line: any) => void} draw a line into a context with its top at 0 */
  constructor(draw) {
    this.draw = draw;
    this.kept = /* @__PURE__ */ new Map();
  }
  /** @returns {OffscreenCanvas} in device pixels */
  of(state, line3) {
    const contents = contentsOf(state, line3);
    let picture = this.kept.get(line3.index);
    this.kept.delete(line3.index);
    if (!picture || picture.contents.length !== contents.length || contents.some((x, k) => x !== picture.contents[k])) {
      picture = { contents, canvas: this.canvas(state, picture?.canvas) };
      const g = picture.canvas.getContext("2d", { alpha: false });
      g.setTransform(state.ratio, 0, 0, state.ratio, 0, 0);
      this.draw(g, state, line3);
    }
    this.kept.set(line3.index, picture);
    return picture.canvas;
  }
  /** A canvas of a line's size: the one at hand, or that of the line seen longest ago. */
  canvas({ sheet, ratio }, at) {
    let canvas = at;
    if (!canvas && this.kept.size >= MOST) {
      const [index, oldest] = this.kept.entries().next().value;
      this.kept.delete(index);
      canvas = oldest.canvas;
    }
    const [width, height] = [Math.round(sheet.width * ratio), Math.ceil(sheet.lineHeight * ratio)];
    return canvas?.width === width && canvas.height === height ? canvas : new OffscreenCanvas(width, height);
  }
};

// js/access.js
var serial = 0;
var BarTable = class {
  /** @param {HTMLElement} sheet the focusable element with role grid */
  constructor(sheet) {
    this.sheet = sheet;
    this.id = `wbg-bar-${++serial}`;
    this.body = document.createElement("div");
    this.body.className = "wbg-unseen";
    this.body.setAttribute("role", "rowgroup");
    this.cells = /* @__PURE__ */ new Map();
    sheet.append(this.body);
  }
  update(chart, rows, columns, cursor) {
    const bar = cursor.bar;
    const said = [`Hits of ${theBar(chart, bar)}`, chart.time_map.bars[bar].meter, ...describeMarks(chart, bar)];
    this.sheet.setAttribute("aria-label", said.join(", "));
    const shown2 = [chart.bars[bar], chart.time_map.bars[bar], barNumber(chart, bar), rows.join()];
    if (shown2.some((x, k) => x !== this.shown?.[k]) || !this.cells.has(cellKey(cursor))) {
      this.shown = shown2;
      this.build(chart, rows, columns, cursor);
    }
    const here = this.cells.get(cellKey(cursor));
    for (const [cell, on] of [[this.here, false], [here, true]]) {
      if (!cell) continue;
      cell.setAttribute("aria-selected", String(on));
      if (on) cell.id = `${this.id}-here`;
      else cell.removeAttribute("id");
    }
    this.here = here;
    this.sheet.setAttribute("aria-activedescendant", `${this.id}-here`);
  }
  /** The cells of a bar anew. */
  build(chart, rows, columns, cursor) {
    const bar = cursor.bar;
    const timed = chart.time_map.bars[bar];
    const places = columns.map((c) => textOf(c.at));
    for (const n of chart.bars[bar].notes) if (!places.includes(n.at)) places.push(n.at);
    if (!places.includes(cursor.at)) places.push(cursor.at);
    places.sort((a, b) => value(a) - value(b));
    this.sheet.setAttribute("aria-rowcount", String(rows.length));
    this.sheet.setAttribute("aria-colcount", String(places.length + 1));
    const fragment = document.createDocumentFragment();
    this.cells = /* @__PURE__ */ new Map();
    rows.forEach((instrument, r) => {
      const row = element("div", { role: "row", "aria-rowindex": r + 1 });
      const head = element("span", { role: "rowheader" });
      head.textContent = instrument;
      row.append(head);
      places.forEach((at, c) => {
        const note = noteAt(chart, bar, at, instrument);
        const label = note ? describeNote(chart, bar, note) : `${instrument} on ${thePlace(timed, parseFraction(at))}, empty`;
        const cell = element("span", { role: "gridcell", "aria-colindex": c + 2, "aria-label": label, "aria-selected": false });
        cell.textContent = note ? "hit" : "";
        this.cells.set(cellKey({ at, instrument }), cell);
        row.append(cell);
      });
      fragment.append(row);
    });
    this.here = null;
    this.body.replaceChildren(fragment);
  }
};
var cellKey = ({ at, instrument }) => `${at} ${instrument}`;
var value = (text) => {
  const f = parseFraction(text);
  return f.n / f.d;
};
function element(tag, attributes) {
  const e = document.createElement(tag);
  for (const [name, v] of Object.entries(attributes)) e.setAttribute(name, String(v));
  return e;
}

// js/questions.js
var ALIKE_FROM = [3, 5];
var ALIKE_WITHIN_BARS = 256;
var numbers = /* @__PURE__ */ new Map();
var hits = /* @__PURE__ */ new WeakMap();
function hitsIn2(written2) {
  let found = hits.get(written2);
  if (!found) {
    const mine = written2.notes.map((n) => {
      const hit = `${n.at} ${n.instrument}`;
      if (!numbers.has(hit)) numbers.set(hit, numbers.size);
      return numbers.get(hit);
    });
    found = { bits: new Int32Array((Math.max(-1, ...mine) >> 5) + 1), count: mine.length };
    for (const n of mine) found.bits[n >> 5] |= 1 << (n & 31);
    hits.set(written2, found);
  }
  return found;
}
function bitCount(n) {
  n -= n >>> 1 & 1431655765;
  n = (n & 858993459) + (n >>> 2 & 858993459);
  return Math.imul(n + (n >>> 4) & 252645135, 16843009) >>> 24;
}
function areAlike(chart, a, b) {
  if (Math.abs(a - b) > ALIKE_WITHIN_BARS) return false;
  const [one, other] = [chart.time_map.bars[a], chart.time_map.bars[b]];
  if (one.meter !== other.meter || one.length !== other.length) return false;
  const mine = hitsIn2(chart.bars[a]);
  const theirs = hitsIn2(chart.bars[b]);
  let both = 0;
  for (let k = Math.min(mine.bits.length, theirs.bits.length) - 1; k >= 0; k--) both += bitCount(mine.bits[k] & theirs.bits[k]);
  return 2 * both * ALIKE_FROM[1] >= (mine.count + theirs.count) * ALIKE_FROM[0];
}
var known2 = /* @__PURE__ */ new WeakMap();
function read2(chart, time, below) {
  const found = known2.get(chart);
  if (found?.time === time && found.below === below) return found;
  const same = /* @__PURE__ */ new Map();
  const byPlace = /* @__PURE__ */ new Map();
  const ask = (kind, bar, at, instrument) => {
    const key = `${kind} ${at} ${instrument}`;
    if (!same.has(key)) same.set(key, []);
    const theirs = same.get(key);
    let question = theirs.find(([first]) => areAlike(chart, first.bar, bar));
    if (!question) theirs.push(question = []);
    question.push({ bar, at, instrument });
    byPlace.set(placeKey({ bar, at, instrument }), question);
  };
  const possible = possibleByBar(chart, time);
  chart.bars.forEach((written2, bar) => {
    for (const n of written2.notes) if (isDoubtful(n, below)) ask("written", bar, n.at, n.instrument);
    for (const h of possible.get(bar) || []) ask("possible", bar, h.at, h.instrument);
  });
  const made = { time, below, questions: [...same.values()].flat(), byPlace };
  known2.set(chart, made);
  return made;
}
var questionsOf = (chart, time, below) => read2(chart, time, below).questions;
var alikeTo = (chart, time, below, place2) => (read2(chart, time, below).byPlace.get(placeKey(place2)) || []).filter((p) => p.bar !== place2.bar);
function rivalsOf(chart, time, below, { bar, at, instrument }, possible) {
  const byBar = possible && possibleByBar(chart, time);
  return chart.bars.flatMap((written2, b) => {
    if (b === bar) return [];
    const here = byBar ? (byBar.get(b) || []).filter((h) => h.at === at) : written2.notes.filter((n) => n.at === at && isDoubtful(n, below));
    const rivals = here.filter((d) => areRivals(d.instrument, instrument));
    if (!rivals.length || here.some((d) => d.instrument === instrument) || !areAlike(chart, bar, b)) return [];
    return rivals.map((d) => ({ bar: b, at, instrument: d.instrument }));
  });
}
function stopsOf(chart, time, below, rowOf) {
  const stops = /* @__PURE__ */ new Map();
  for (const [{ bar, at, instrument }] of questionsOf(chart, time, below)) {
    const key = `${bar} ${at}`;
    if (!stops.has(key)) stops.set(key, { bar, at, asked: [] });
    stops.get(key).asked.push({ bar, at, instrument });
  }
  const row = (p) => rowOf.get(p.instrument) ?? 0;
  const isPossible2 = ({ bar, at, instrument }) => Number(!noteAt(chart, bar, at, instrument));
  for (const stop of stops.values()) {
    stop.asked.sort((a, b) => isPossible2(a) - isPossible2(b) || row(a) - row(b));
    stop.instrument = stop.asked[0].instrument;
  }
  const place2 = (s) => valueOf(parseFraction(s.at));
  return [...stops.values()].sort((a, b) => a.bar - b.bar || place2(a) - place2(b));
}
function besideIn(chart, time, below, { bar, at, instrument }) {
  const written2 = chart.bars[bar].notes.filter((n) => n.at === at && isDoubtful(n, below));
  const possible = (possibleByBar(chart, time).get(bar) || []).filter((h) => h.at === at);
  return [...new Set([...written2, ...possible].map((d) => d.instrument))].filter((name) => name !== instrument);
}

// js/alike.js
function answerIn(chart, time, below, edit) {
  const answer = toDoubt(chart, time, below, edit);
  if (!answer) return null;
  const { bar, at, instrument } = answer;
  const others = edit.edit !== "add note" ? alikeTo(chart, time, below, answer) : [...possibleByBar(chart, time).keys()].filter((b) => b !== bar && areAlike(chart, bar, b)).sort((a, b) => a - b).flatMap((b) => possibleAt(chart, time, { bar: b, at, instrument }) ?? []).map((h) => ({ bar: h.bar, at, instrument }));
  return { ...answer, others, rivals: rivalsOf(chart, time, below, answer, isPossible(answer)) };
}
function toDoubt(chart, time, below, edit) {
  const { instrument, position: at } = edit;
  if (edit.edit === "accept possible hit" || edit.edit === "refuse possible hit") {
    const hit = [...possibleByBar(chart, time).values()].flat().find((h) => h.time_s === edit.time_s && h.instrument === instrument);
    return hit && { bar: hit.bar, at: hit.at, instrument, to: edit.edit === "refuse possible hit" ? "refuse" : "write", time_s: hit.time_s };
  }
  const bar = edit.bar_index;
  if (edit.edit === "add note") return { bar, at: edit.note.at, instrument: edit.note.instrument, to: "write" };
  const note = at !== void 0 && noteAt(chart, bar, at, instrument);
  if (!note || !isDoubtful(note, below)) return null;
  if (edit.edit === "remove note") return { bar, at, instrument, to: "remove" };
  if (edit.edit === "change note" && edit.confirmed && edit.velocity === void 0) return { bar, at, instrument, to: "keep" };
  const here = edit.edit === "move note" && edit.to_bar_index === bar && edit.to_position === at;
  return here ? { bar, at, instrument, to: edit.to_instrument } : null;
}
function stands(chart, { bar, at, instrument, to, time_s }) {
  if (time_s !== void 0) return !chart.possible_hits.some((h) => h.time_s === time_s && h.instrument === instrument);
  const note = noteAt(chart, bar, at, instrument);
  if (to === "write") return Boolean(note);
  if (to === "remove") return !note;
  return to === "keep" ? Boolean(note?.confirmed) : Boolean(noteAt(chart, bar, at, to));
}
var isPossible = ({ to }) => to === "write" || to === "refuse";
function openAt(chart, time, below, places, possible) {
  if (possible) return places.flatMap((p) => possibleAt(chart, time, p) ?? []);
  return hitsAt(chart, places).filter(({ note }) => isDoubtful(note, below));
}
function openIn(chart, time, below, answer) {
  const { at, instrument, to, others, rivals } = answer;
  const stays = to === "keep" || to === "write" ? instrument : to;
  const theirs = [...new Set(rivals.map((p) => p.instrument))].map((name) => ({
    at,
    instrument: name,
    to: name === stays ? "keep" : stays,
    places: rivals.filter((p) => p.instrument === name)
  }));
  return [{ at, instrument, to, places: others }, ...theirs].map(({ places, ...a }) => ({ ...a, doubts: openAt(chart, time, below, places, isPossible(answer)) })).filter((a) => a.doubts.length);
}
function alikeEdit(doubts, to) {
  if (to === "write" || to === "refuse") return together(answerEdits(doubts, to === "write"), `${to} alike`);
  if (to === "remove") return removeEdit(doubts, "remove alike");
  if (to === "keep") return changeEdit(doubts, () => ({ confirmed: true }), "keep alike");
  const hits2 = doubts.map((d) => d.note ? d : { bar: d.bar, note: d });
  const { edit } = moveEdit(hits2, (place2) => ({ ...place2, instrument: to }), "move alike");
  const written2 = answerEdits(doubts.filter((d) => !d.note), true);
  return written2.length ? together([...written2, ...edit.edit === "together" ? edit.edits : [edit]], "move alike") : edit;
}
var wordsOf = (to) => ({
  write: ["write", "written"],
  refuse: ["refuse", "refused"],
  remove: ["take out", "taken out"],
  keep: ["keep", "kept"]
})[to] || [`to the ${to}:`, `given to the ${to}`];

// js/panels.js
var percent = (x) => `${x} %`;
var side = (x) => x === 0 ? "middle" : `${Math.abs(x)} % ${x < 0 ? "left" : "right"}`;
var SUBDIVISIONS = [["quarters", 1], ["8ths", 2], ["triplets", 3], ["16ths", 4], ["16th triplets", 6], ["32nds", 8]];
var LINES = [["as fit", -1], ["1", 1], ["2", 2], ["4", 4], ["8", 8], ["16", 16], ["32", 32], ["all", 0]];
var SIGNS = [
  ...["pp", "p", "mp", "mf", "f", "ff", "cresc.", "dim."].map((d) => [d, d]),
  ["Segno", "𝄋"],
  ["Coda", "𝄌"],
  ["Fermata", "𝄐"],
  ...["To Coda", "D.S. al Coda", "D.S. al Fine", "D.C. al Fine", "Fine"].map(
    (d) => [d, d]
  )
];
var KEPT = [["Repeat begins", "𝄆"], ["Repeat ends", "𝄇"], ["1st ending", "1."], ["2nd ending", "2."]];
var signsOf = (v) => v.chart.recording ? SIGNS : [...SIGNS, ...KEPT];
var FEELS = ["straight", "swing 8ths", "swing 16ths"];
var COUNT_INS = [["none", 0], ["one bar", 1], ["two bars", 2]];
var SOUNDS = [["drums", "Drums"], ["rest", "Rest"], ["chart", "Chart"], ["click", "Click"]];
var line2 = (...parts) => {
  const e = document.createElement("div");
  e.className = "wbg-panel-row";
  e.append(...parts);
  return e;
};
var PANELS = {
  "Sound": (v) => [
    line2(...SOUNDS.map(([source, name]) => slider(v, name, `${source}_level`, 0, 100, 5, percent))),
    line2(...SOUNDS.map(([source, name]) => slider(v, `${name} placed`, `${source}_pan`, -100, 100, 10, side))),
    line2(
      button2(v, "Heard / written", "compare", "The recording, then the chart, then both as the sliders say"),
      menu(v, "Count-in", "count_in_bars", COUNT_INS),
      toggle(v, "Hits sound when written", "sound_hits"),
      field(v, "Recording", "file, where it is not found", (path) => v.session.do({ command: "use recording", path }), "14em")
    )
  ],
  "Drums": (v) => {
    const drums = v.drums = new DrumPanel(v);
    v.drop.push(() => {
      v.drums = null;
    });
    drums.update();
    return [drums.where, drums.element];
  },
  "Hit": (v) => [line2(...HIT_COMMANDS.map(([command, name]) => button2(v, name, command)))],
  "Bars": (v) => [
    line2(
      words("Hits of the bars:"),
      button2(v, "Done", "keep bars"),
      button2(v, "Next not done", "next undone bar"),
      button2(v, "Copy", "copy"),
      button2(v, "Paste", "paste"),
      button2(v, "Repeat after", "repeat"),
      choice("Subdivision", [["…", 0], ...SUBDIVISIONS], (parts) => parts && subdivide(v, parts))
    ),
    line2(words("Bars:"), ...Object.entries(BAR_ACTS).map(([command, will]) => {
      const e = button2(v, BAR_WORDS[command], command);
      e.addEventListener("pointerenter", () => {
        e.title = will(v);
      });
      return e;
    })),
    line2(
      words("Marks:"),
      button2(v, "Section here", "section"),
      button2(v, "Fill", "mark fill"),
      button2(v, "Next proposed mark", "next mark"),
      button2(v, "Not a fill", "drop mark"),
      button2(v, "Most doubtful bar", "next doubtful bar")
    )
  ],
  "Bar lines": (v) => [
    line2(
      menu(v, "For", "bars_meant", ["whole song", "from here on", "selected bars"].map((w) => [w, w])),
      field(v, "Meter", "4/4", (meter) => v.run("set meter", meter), "4em"),
      field(v, "Pick-up", "beats", (beats) => v.run("pick-up", beats), "4em"),
      button2(v, "1 a beat earlier", "one earlier"),
      button2(v, "1 a beat later", "one later"),
      button2(v, "1 half a beat later", "one half later")
    ),
    line2(
      button2(v, "Half tempo", "half tempo"),
      button2(v, "Double tempo", "double tempo"),
      button2(v, "3 beats for 2", "three for two"),
      button2(v, "2 beats for 3", "two for three"),
      button2(v, "Split bar at the cursor", "split bar"),
      button2(v, "Join with next bar", "join bars")
    ),
    line2(
      button2(v, "Insert a bar here", "insert bars"),
      button2(v, "Delete bars", "delete bars"),
      button2(v, "Fix line or let it go", "fix line"),
      button2(v, "Lay anew from here by ear", "lay anew", "Finds the bars again in the recording; fixed lines and the bars before this one stay"),
      button2(v, "Mend what disagrees", "mend bars")
    )
  ],
  "Score": (v) => [
    line2(
      field(v, "Title", "of the song", (title) => v.edit({ edit: "set heading", title }), "14em", v.chart.title),
      field(v, "Artist", "who plays it", (artist) => v.edit({ edit: "set heading", artist }), "14em", v.chart.artist),
      feelMenu(v)
    ),
    line2(
      button2(v, "Section here", "section"),
      button2(v, "Words over this bar", "cue"),
      choice("Sign here", [["…", ""], ...signsOf(v)], (text) => text && sign(v, text)),
      button2(v, "Tempo words", "tempo words", "Words before the tempo of this bar"),
      button2(v, "Repeat signs", "repeat signs", "The selected bars once, with repeat signs and endings; or never folded"),
      button2(v, "Slashes", "slashes", "The selected bars as slashes: play as before"),
      button2(v, "Export", "export", "PDF, PNG, MusicXML and MIDI beside the chart")
    )
  ],
  "View": (v) => [
    line2(
      menu(v, "Bars in a line", "bars_per_line", LINES),
      slider(
        v,
        "Doubt hits below",
        "doubt_below",
        0,
        1,
        0.05,
        (x) => percent(Math.round(100 * x))
      ),
      toggle(v, "Waveform", "show_waveform"),
      toggle(v, "Spectrogram", "show_spectrogram"),
      toggle(v, "All drums", "all_rows")
    )
  ]
};
var BAR_WORDS = {
  "insert bars": "Insert",
  "delete bars": "Delete",
  "duplicate bars": "Duplicate",
  "bars earlier": "Hits a bar earlier",
  "bars later": "Hits a bar later"
};
var HIT_COMMANDS = [
  ["softer", "Softer"],
  ["louder", "Louder"],
  ["ghost", "Ghost"],
  ["accent", "Accent"],
  ["flam", "Flam"],
  ["drag", "Drag"],
  ["double", "Double"],
  ["roll", "Roll"],
  ["rim shot", "Rim shot"],
  ["choke", "Choke"],
  ["open", "Open/closed"],
  ["half open", "Half open"],
  ["foot splash", "Foot splash"]
];
function feelMenu(v) {
  const e = choice("Feel", FEELS.map((f) => [f, f]), (feel) => v.edit({ edit: "set heading", feel }));
  const show2 = () => {
    e.lastChild.selectedIndex = FEELS.indexOf(v.chart.feel || FEELS[0]);
  };
  v.drop.push(v.session.listen(show2));
  show2();
  return e;
}
function sign(v, text) {
  const position = /^[a-z.]+$/.test(text) ? v.cursor.at : cueOf(v, v.cursor.bar, (other) => other === text).at;
  v.edit({ edit: "set text", bar_index: v.cursor.bar, position, text });
  v.say(`${signsOf(v).find(([, t]) => t === text)[0]} written in ${theBar(v.chart, v.cursor.bar)}.`);
}
function subdivide(v, parts) {
  const [first, last] = v.selection || [v.cursor.bar, v.cursor.bar];
  const edits = v.chart.bars.slice(first, last + 1).map((_, k) => ({
    edit: "set subdivisions",
    bar_index: first + k,
    subdivisions: beatSpans(v.chart.time_map.bars[first + k]).map(() => parts)
  }));
  v.edit(edits.length > 1 ? { edit: "together", edits, name: "set subdivisions" } : edits[0]);
  v.say(`Beats of ${barsSaid(v.chart, first, last)} divided anew.`);
}

// js/toolbar.js
var KEY_OF = new Map(SHORTCUTS.flatMap(({ shortcuts }) => shortcuts.map((s) => [s.command, s.keys[0]])));
var keyOf = (command) => KEY_OF.get(command);
var capOf = (key) => key.replace(/^ $/, "Space").replace(/^Shift\+(?=[A-Z]$)/, "").replace("Arrow", "").replace("+", " ").trim() || "+";
function button2(view, words2, command, tooltip = "") {
  const e = make("button", "wbg-button", { type: "button" });
  e.textContent = words2;
  const key = keyOf(command);
  e.title = [tooltip, key && `Key: ${capOf(key)}`].filter(Boolean).join(" · ");
  e.dataset.command = command;
  e.addEventListener("click", () => view.run(command));
  return e;
}
function toggle(view, words2, trait, tooltip = "") {
  const e = make("button", "wbg-button", { type: "button", title: tooltip });
  e.textContent = words2;
  e.addEventListener("click", () => view.set(trait, !view.model.get(trait)));
  follow(view, trait, (on) => e.setAttribute("aria-pressed", String(Boolean(on))));
  return e;
}
function slider(view, words2, trait, low, high, step, said = String) {
  const label = make("label", "wbg-slider");
  const input = make("input", "", { type: "range", min: low, max: high, step, "aria-label": words2 });
  const value2 = make("output", "");
  const live = () => {
    view.model.set(trait, Number(input.value));
    value2.textContent = said(Number(input.value));
  };
  input.addEventListener("input", live);
  input.addEventListener("change", () => view.set(trait, Number(input.value)));
  label.append(document.createTextNode(words2), input, value2);
  follow(view, trait, (now2) => {
    input.value = String(now2);
    value2.textContent = said(now2);
  });
  return label;
}
function menu(view, words2, trait, options) {
  const e = choice(words2, options, (value2) => view.set(trait, value2));
  follow(view, trait, (now2) => {
    e.lastChild.selectedIndex = options.findIndex(([, value2]) => value2 === now2);
  });
  return e;
}
function choice(words2, options, act) {
  const label = make("label", "wbg-choice");
  const select = make("select", "", { "aria-label": words2 });
  for (const [name] of options) {
    const option = make("option", "");
    option.textContent = name;
    select.append(option);
  }
  select.addEventListener("change", () => act(options[select.selectedIndex][1]));
  label.append(document.createTextNode(words2), select);
  return label;
}
function field(view, words2, placeholder, act, width = "9em", value2 = "") {
  const label = make("label", "wbg-field");
  const input = make("input", "", { type: "text", maxlength: "120", placeholder, "aria-label": words2 });
  input.style.width = width;
  input.value = value2;
  input.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== "Escape") return;
    if (event.key === "Enter") act(input.value.trim());
    event.preventDefault();
    view.takeKeys();
  });
  label.append(document.createTextNode(words2), input);
  return label;
}
function words(text) {
  const e = make("span", "wbg-words");
  e.textContent = text;
  return e;
}
function follow(view, trait, show2) {
  const tell2 = () => show2(view.model.get(trait));
  view.model.on(`change:${trait}`, tell2);
  view.drop.push(() => view.model.off(`change:${trait}`, tell2));
  tell2();
}
var Toolbar = class {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-tools", { role: "toolbar", "aria-label": "Tools of the grid" });
    this.panel = make("div", "wbg-panel", { role: "region" });
    this.panel.hidden = true;
    const group = (...parts) => {
      const e = make("span", "wbg-group");
      e.append(...parts);
      return e;
    };
    this.play = button2(view, "Play", "play");
    follow(view, "playing", (on) => {
      this.play.textContent = on ? "Stop" : "Play";
      this.play.setAttribute("aria-pressed", String(on));
    });
    this.tabs = Object.keys(PANELS).map((name) => {
      const tab = make("button", "wbg-button wbg-tab", { type: "button", "aria-expanded": "false" });
      tab.textContent = name;
      tab.addEventListener("click", () => this.open(this.opened === name ? "" : name));
      return tab;
    });
    this.element.append(
      group(this.play, toggle(view, "Loop", "loop", "Key: l"), slider(view, "", "speed_percent", 25, 150, 5, (x) => `${x} %`)),
      group(
        button2(view, "Next doubt", "next doubt"),
        button2(view, "Keep", "keep"),
        button2(view, "Remove", "reject"),
        button2(view, "Same elsewhere", "correct repeats", "The same correction in every bar that matches")
      ),
      group(button2(view, "Undo", "undo"), button2(view, "Redo", "redo"), button2(view, "Save", "save")),
      group(...this.tabs, button2(view, "?", "keys", "All keys"))
    );
    for (const part of [this.element, this.panel]) {
      part.addEventListener("pointerdown", (event) => this.keepKeys(event));
      part.addEventListener("click", (event) => this.keepKeys(event));
      part.addEventListener("change", (event) => {
        if (event.target.tagName === "SELECT") view.takeKeys();
      });
    }
  }
  /** A press on a button leaves the keys with the sheet; one on a field takes them there. */
  keepKeys(event) {
    if (event.target.closest("select, input[type=text]")) return;
    if (event.type === "pointerdown" && event.target.closest("input")) return;
    if (event.type === "click" && event.detail === 0) return;
    if (event.type === "pointerdown") event.preventDefault();
    const asked = this.view.askBox.contains(document.activeElement);
    if (!event.target.closest("label") && !asked) this.view.takeKeys();
  }
  /** Open a panel by its name; "" folds it. */
  open(name) {
    this.opened = name;
    this.tabs.forEach((tab) => tab.setAttribute("aria-expanded", String(tab.textContent === name)));
    this.panel.hidden = !name;
    this.panel.setAttribute("aria-label", name);
    this.closing?.();
    const before = this.view.drop.length;
    this.panel.replaceChildren(...name ? PANELS[name](this.view) : []);
    const mine = this.view.drop.splice(before);
    this.closing = () => mine.forEach((drop) => drop());
    this.view.bars.update();
    this.view.fit();
  }
};

// js/context_menu.js
function itemsOfHits(v, hits2) {
  const { kit } = v.session.info;
  const many = hits2.length > 1 ? ` ${hits2.length} hits` : "";
  const able = ARTICULATIONS.filter(([name]) => hits2.some(({ note }) => kit[note.instrument].articulations.includes(name)));
  return [
    [`Keep${many}`, "keep"],
    [`Remove${many}`, "remove"],
    ["Louder", "louder"],
    ["Softer", "softer"],
    ["To another drum …", () => giveTo(v)],
    ...able.map(([name, words2]) => (
      /** @type {Item} */
      [words2, name]
    )),
    ["Right hand", "right hand"],
    ["Left hand", "left hand"],
    ["All like this", "all alike"],
    ["In every bar", "in every bar"],
    ["Copy", "copy"],
    ["Repeat after", "repeat"]
  ];
}
var ARTICULATIONS = [
  ["ghost", "Ghost"],
  ["accent", "Accent"],
  ["flam", "Flam"],
  ["drag", "Drag"],
  ["double", "Double"],
  ["roll", "Roll"],
  ["rim shot", "Rim shot"],
  ["choke", "Choke"],
  ["half open", "Half open"],
  ["foot splash", "Foot splash"]
];
var OF_BARS = [
  ["Done: keep all hits", "keep bars"],
  ["Copy hits", "copy"],
  ["Paste", "paste"],
  ["Take hits out", "cut"],
  ["Repeat after", "repeat"],
  ["Play", "play"],
  ["Section here", "section"],
  ["Split bar here", "split bar"],
  ["Join with next bar", "join bars"],
  ["Lay anew from here by ear", "lay anew"],
  ["Fix line or let it go", "fix line"]
];
var shown = null;
function openMenu(v, x, y, ofBars) {
  const hits2 = ofBars ? [] : hitsMeant(v);
  const possible = possibleAt(v.chart, v.time, v.cursor) ? [["Write the possible hit", "keep"], ["Refuse it", "reject"]] : [];
  const empty = [
    ...possible,
    ["Write a hit", "toggle"],
    ["Paste", "paste"],
    ["Fill the row", "fill row"],
    ["Section here", "section"],
    ["Fill from here", "mark fill"]
  ];
  const acts = Object.entries(BAR_ACTS).map(([command, will]) => [will(v), command]);
  show(v, x, y, ofBars ? [...OF_BARS, ...acts] : hits2.length ? itemsOfHits(v, hits2) : empty);
}
function openRowMenu(v, x, y, instrument) {
  v.moveCursor({ ...v.cursor, instrument }, false);
  const stretch = v.selection || [0, v.chart.bars.length - 1];
  const hits2 = hitsOf2(v.chart, stretch, (n) => n.instrument === instrument);
  const doubts = hits2.filter(({ note }) => isDoubtful(note, v.doubtBelow));
  const possible = possibleOf(v.chart, v.time, stretch).filter((h) => h.instrument === instrument);
  const choose = (some) => () => {
    closeMenu();
    v.choose(chosenOf(some));
    v.sayChosen();
  };
  const act = (edit, done) => () => {
    closeMenu();
    v.session.edit(edit);
    v.say(`${done}${v.selection ? " in the selected bars" : " in the whole song"}; Ctrl Z takes back.`);
  };
  const its = (some, what) => `its ${some.length > 1 ? `${some.length} ${what.replace("hit", "hits")}` : what}`;
  const items = [];
  if (hits2.length) items.push([`Choose ${its(hits2, "hit")}`, choose(hits2)]);
  if (doubts.length) {
    items.push(
      [`Choose ${its(doubts, "hit in doubt")}`, choose(doubts)],
      [`Keep ${its(doubts, "hit in doubt")}`, act(changeEdit(doubts, () => ({ confirmed: true }), "keep"), `${doubts.length} kept`)],
      [`Take out ${its(doubts, "hit in doubt")}`, act(removeEdit(doubts, "remove hits"), `${doubts.length} taken out`)]
    );
  }
  if (possible.length) {
    items.push(
      [
        `Write ${its(possible, "possible hit")}`,
        act(together(answerEdits(possible, true), "write possible hits"), `${possible.length} written`)
      ],
      [
        `Refuse ${its(possible, "possible hit")}`,
        act(together(answerEdits(possible, false), "refuse possible hits"), `${possible.length} refused`)
      ]
    );
  }
  if (hits2.length) {
    items.push([`Give ${its(hits2, "hit")} to another drum …`, () => {
      v.choose(chosenOf(hits2));
      giveTo(v);
    }]);
  }
  items.push(["Fill the row in this bar", "fill row"]);
  show(v, x, y, items);
}
function giveTo(v) {
  const { left, top } = shown.getBoundingClientRect();
  openDrums(v, left, top, (name) => v.run("to drum", name));
}
function openDrums(v, x, y, chosen, but = "") {
  show(v, x, y, Object.keys(v.session.info.kit).filter((name) => name !== but).map((name) => [name, () => {
    closeMenu();
    chosen(name);
  }]));
}
function show(v, x, y, items) {
  closeMenu();
  const list = make("div", "wbg-menu", { role: "menu" });
  for (const [words2, act] of items) {
    const item = make("button", "", { type: "button", role: "menuitem" });
    const key = typeof act === "string" && keyOf(act);
    item.append(words2, ...key ? [cap(key)] : []);
    item.addEventListener("click", () => {
      if (typeof act === "string") {
        closeMenu();
        v.run(act);
      } else act();
      if (!shown) v.takeKeys();
    });
    list.append(item);
  }
  list.addEventListener("keydown", (event) => {
    const all = [...list.children];
    const here = all.indexOf(document.activeElement);
    const to = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: -1 }[event.key];
    if (to !== void 0) all.at(to % all.length).focus();
    else if (event.key === "Escape" || event.key === "Tab") {
      closeMenu();
      v.takeKeys();
    } else return;
    event.preventDefault();
  });
  list.popover = "manual";
  v.el.append(list);
  list.showPopover();
  list.style.left = `${Math.max(Math.min(x, window.innerWidth - list.offsetWidth - 4), 0)}px`;
  list.style.top = `${Math.max(Math.min(y, window.innerHeight - list.offsetHeight - 4), 4)}px`;
  shown = list;
  list.firstChild?.focus({ preventScroll: true });
  const elsewhere = (event) => {
    if (!list.contains(event.target)) closeMenu();
  };
  document.addEventListener("pointerdown", elsewhere, true);
  list.closing = () => document.removeEventListener("pointerdown", elsewhere, true);
}
var cap = (key) => {
  const e = make("span", "wbg-cap");
  e.textContent = capOf(key);
  return e;
};
function closeMenu() {
  shown?.closing();
  shown?.remove();
  shown = null;
}

// js/drums.js
var DOUBTED_FROM = 8;
var DOUBTED_PART = 0.5;
var NOTHING = {};
var isDoubted = ({ hits: hits2, doubts, confirmed }) => hits2 >= DOUBTED_FROM && !confirmed && doubts >= DOUBTED_PART * hits2;
function stretchOf({ chart, chosen, selection }) {
  if (!chosen.size) return { bars: selection ?? [0, chart.bars.length - 1] };
  const places = [...chosen.values()];
  const bars2 = places.map((p) => p.bar);
  return { bars: [Math.min(...bars2), Math.max(...bars2)], places };
}
var none = (name) => ({ name, hits: 0, doubts: 0, confirmed: 0, possible: 0 });
function count(drum, note, below) {
  drum.hits += 1;
  if (note.confirmed) drum.confirmed += 1;
  else if (isDoubtful(note, below)) drum.doubts += 1;
}
function drumsOf(chart, time, below, { bars: [first, last], places }, kit) {
  const drums = /* @__PURE__ */ new Map();
  const chosen = places && new Set(places.map(placeKey));
  const drum = (bar, { at, instrument: name }) => {
    if (chosen && !chosen.has(placeKey({ bar, at, instrument: name }))) return null;
    if (!drums.has(name)) drums.set(name, none(name));
    return drums.get(name);
  };
  for (let bar = first; bar <= last; bar++) {
    for (const note of chart.bars[bar].notes) {
      const its = drum(bar, note);
      if (!its) continue;
      count(its, note, below);
    }
    for (const hit of possibleByBar(chart, time).get(bar) || []) {
      const its = drum(bar, hit);
      if (its) its.possible += 1;
    }
  }
  const order = Object.keys(kit);
  return [...drums.values()].sort((a, b) => order.indexOf(a.name) - order.indexOf(b.name));
}
function soundIn(chart, { bars: [first, last], places }, name, sound) {
  const among = places && new Set(places.map(placeKey));
  return { bars: [first, last], places: sound.places.map(([bar, at]) => ({ bar, at, instrument: name })).filter((p) => p.bar >= first && p.bar <= last && (!among || among.has(placeKey(p))) && noteAt(chart, p.bar, p.at, name)) };
}
function soundOf2(chart, below, { places }, name) {
  const drum = none(name);
  for (const { bar, at } of places) count(drum, noteAt(chart, bar, at, name), below);
  return drum.hits ? drum : void 0;
}
var soundCalled = ({ alike }, k, name) => alike ? [`sound ${k + 1}`, `sound ${k + 1} of the ${name}`] : ["other sounds", `the other sounds of the ${name}`];
function soundsWords(sounds) {
  const alike = sounds.filter((s) => s.alike).length;
  if (sounds.length < 2) return "";
  return `${alike} sound${alike === 1 ? "" : "s"}${alike < sounds.length ? " and others" : ""}`;
}
var nameEdit = (name, to, { bars: [first, last], places }) => ({
  edit: "name drum",
  old: name,
  new: to,
  first_bar: first,
  last_bar: last,
  ...places ? { places: places.filter((p) => p.instrument === name).map((p) => [p.bar, p.at]) } : {}
});
var drumWords = ({ hits: hits2, doubts, confirmed, possible }) => [
  (hits2 || !possible) && `${hits2} hit${hits2 === 1 ? "" : "s"}`,
  confirmed && `${confirmed} confirmed`,
  doubts && `${doubts} in doubt`,
  possible && `${possible} possible`
].filter(Boolean).join(", ");
var allOf = ({ name, hits: hits2 }) => `the ${hits2} ${name}${/[sc]h$/.test(name) ? "es" : /s$/.test(name) ? "" : "s"}`;
function doubtedWords(drums, told) {
  const all = drums.filter((d) => isDoubted(d) && !told.has(d.name));
  all.forEach((d) => told.add(d.name));
  const said = all.map((d) => `${d.doubts} of ${allOf(d)}`);
  if (!said.length) return "";
  const list = [said.slice(0, -1).join(", "), said.at(-1)].filter(Boolean).join(" and ");
  return `${list} are in doubt: Drums (H) lets you hear and name them at once`;
}
var isToAsk = ({ has_recording, sample_rate, drum_sounds }, asked) => Boolean(has_recording && sample_rate && drum_sounds && (!asked || !drum_sounds.drums && drum_sounds !== asked));
var DrumPanel = class {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-drums");
    this.list = make("div", "wbg-drums-list", { role: "list", "aria-label": "Drums" });
    this.element.append(this.list);
    this.where = make("div", "wbg-words");
    this.lines = /* @__PURE__ */ new Map();
    this.asked = null;
  }
  /** Ask Python for the sounds of each drum: once, and anew where what it told holds no more. */
  ask() {
    const { info } = this.view.session;
    if (!isToAsk(info, this.asked)) return;
    this.asked = info.drum_sounds;
    this.view.session.send({ type: "sounds" });
  }
  /** Bring what is shown up to date; costs nothing while nothing has changed. */
  update() {
    this.ask();
    const { view } = this;
    const { chart, chosen, selection, doubtBelow, listener } = view;
    const heard = listener.playing?.passage.called;
    const known3 = view.session.info.drum_sounds ?? NOTHING;
    const shown2 = [chart, chosen, selection, doubtBelow, heard, known3];
    if (shown2.every((x, k) => x === this.shown?.[k])) return;
    this.shown = shown2;
    const { kit } = view.session.info;
    const stretch = stretchOf(view);
    const drums = new Map(drumsOf(chart, view.time, doubtBelow, stretch, kit).map((d) => [d.name, d]));
    const whole = { bars: [0, chart.bars.length - 1] };
    for (const { name } of drumsOf(chart, view.time, doubtBelow, whole, kit)) if (!this.lines.has(name)) this.lines.set(name, this.line(name));
    for (const line3 of this.lines.values()) if (line3.known !== known3) this.showSounds(line3, known3);
    this.where.textContent = chosen.size ? "Of the chosen hits; confirmed hits stay as they are." : selection ? `In ${barsSaid(chart, ...selection)}; confirmed hits stay as they are.` : "In the whole song; select bars or frame hits to mean these alone. Confirmed hits stay as they are.";
    Object.keys(kit).filter((name) => this.lines.has(name)).forEach((name, k) => {
      const line3 = this.lines.get(name);
      const { element: element2 } = line3;
      if (this.list.children[k] !== element2) this.list.insertBefore(element2, this.list.children[k] ?? null);
      const drum = drums.get(name);
      const left = line3.sounds.map((sound) => {
        const its = soundOf2(chart, doubtBelow, soundIn(chart, stretch, name, sound.subject.sound), name);
        showLine(sound, heard, its, `${sound.label}: ${its ? drumWords(its) : "none"}`);
        sound.words.setAttribute("aria-label", `${name}, ${sound.words.textContent}`);
        sound.words.setAttribute("aria-pressed", String(isChosen(view, sound.subject)));
        sound.doubted = Boolean(its) && isDoubted(its);
        return its && sound.subject.sound;
      });
      line3.fold?.classList.toggle("wbg-doubted", line3.sounds.some((s) => s.doubted));
      showLine(line3, heard, drum, drum ? drumWords(drum) : "none");
      showOpen(line3, soundsWords(left.filter(Boolean)));
    });
  }
  line(name) {
    const element2 = make("div", "wbg-drum-group", { role: "listitem" });
    const row = make("div", "wbg-drum");
    const label = make("span", "wbg-drum-name");
    label.textContent = name;
    const words2 = make("span", "wbg-words");
    const subject = { name, called: `the ${name}` };
    const [hear, ...others] = this.acts(subject);
    row.append(label, words2, hear, ...others);
    element2.append(row);
    return { element: element2, label, words: words2, hear, subject, sounds: [], known: NOTHING };
  }
  /** Have a line for each sound of a drum, in place of those that were there; folded at first, so that nothing moves when Python tells them. @param {{drums?: Record<string, Sound[]>}} known */
  showSounds(line3, known3) {
    const { name } = line3.subject;
    const sounds = known3.drums?.[name] ?? [];
    line3.known = known3;
    line3.list?.remove();
    line3.list = sounds.length ? make("div", "wbg-sounds", { role: "list", "aria-label": `Sounds of the ${name}` }) : null;
    line3.sounds = sounds.map((sound, k) => {
      const [label, called] = soundCalled(sound, k, name);
      const subject = { name, called, sound };
      const row = make("div", "wbg-drum", { role: "listitem" });
      const words2 = make("button", "wbg-sound", { type: "button", title: "Choose its hits in the grid, to see them; once more lets go" });
      words2.addEventListener("click", () => chooseSound(this.view, subject));
      const [hear, ...others] = this.acts(subject);
      row.append(words2, hear, ...others);
      line3.list.append(row);
      return { words: words2, hear, label, subject };
    });
    line3.label.textContent = name;
    if (!line3.list) return;
    line3.element.append(line3.list);
    const fold = line3.fold = make("button", "wbg-fold", { type: "button" });
    fold.textContent = name;
    fold.addEventListener("click", () => {
      line3.open = !line3.open;
      showOpen(line3, line3.said);
    });
    line3.label.replaceChildren(fold);
  }
  /** The buttons for what can be done with a drum or a sound. @param {Subject} subject */
  acts(subject) {
    const { view } = this;
    const { name, called } = subject;
    const act = (text, said, title, does) => {
      const b = make("button", "wbg-button", { type: "button", "aria-label": said, title });
      b.textContent = text;
      b.addEventListener("click", () => does(b));
      return b;
    };
    return [
      act("Hear", `Hear ${called}`, "Its clearest strokes, one after the other", () => hearDrum(view, subject)),
      act("Rename …", `Rename ${called} …`, "Give its hits to another drum: one step, every hit keeps its time", (b) => {
        const { left, bottom } = b.getBoundingClientRect();
        openDrums(view, left, bottom, (to) => nameDrum(view, subject, to), name);
      }),
      act("Take all out", `Take all of ${called} out`, "One step; Ctrl Z brings them back", () => nameDrum(view, subject, ""))
    ];
  }
};
function showOpen(line3, said) {
  const { list, fold, open: open2, subject: { name } } = line3;
  line3.said = said;
  if (!list) return;
  list.hidden = !open2;
  fold.setAttribute("aria-expanded", String(Boolean(open2)));
  fold.setAttribute("aria-label", `Sounds of the ${name}${said && `: ${said}`}`);
  fold.title = said ? `${open2 ? "Fold" : "Show"} what sounds where ${name} is written: ${said}` : "";
}
function showLine({ words: words2, hear, subject }, heard, drum, said) {
  tell(words2, said);
  words2.classList.toggle("wbg-doubted", Boolean(drum) && isDoubted(drum));
  hear.textContent = heard === subject.called ? "Stop" : "Hear";
  hear.setAttribute("aria-pressed", String(heard === subject.called));
}
var around = ({ chart, selection }) => ({ bars: selection ?? [0, chart.bars.length - 1] });
var hitsOfSound = (view, { name, sound }) => chosenOf(hitsAt(view.chart, soundIn(view.chart, around(view), name, sound).places));
function isChosen(view, subject) {
  if (!view.chosen.size || view.chosen.size > subject.sound.places.length) return false;
  const hits2 = hitsOfSound(view, subject);
  return hits2.size === view.chosen.size && [...hits2.keys()].every((key) => view.chosen.has(key));
}
function chooseSound(view, subject) {
  if (isChosen(view, subject)) {
    view.choose(/* @__PURE__ */ new Map());
    return;
  }
  const hits2 = hitsOfSound(view, subject);
  const places = [...hits2.values()];
  const near = places.find((p) => p.bar >= view.cursor.bar) ?? places[0];
  if (near) view.moveCursor(near, false);
  view.choose(hits2);
  view.sayChosen();
}
function nameDrum(view, { name, sound }, to) {
  const places = [...view.chosen.values()];
  const stretch = stretchOf(view);
  const seq = view.session.edit(nameEdit(name, to, sound ? soundIn(view.chart, stretch, name, sound) : stretch));
  if (!places.length) return;
  const stop = view.session.listen(() => {
    if (view.session.pending.some((p) => p.seq === seq)) return;
    stop();
    const { chart } = view;
    const moved = places.map((p) => p.instrument === name && !noteAt(chart, p.bar, p.at, name) ? { ...p, instrument: to } : p);
    view.choose(chosenOf(hitsAt(chart, moved)));
  });
}
function tell(element2, words2) {
  if (element2.textContent === words2) return;
  element2.replaceChildren(...words2.split(/(?<=,) /).flatMap((part, k) => {
    const e = make("span", "wbg-stated");
    e.textContent = part;
    return k ? [" ", e] : [e];
  }));
}
async function hearDrum(view, { name, called, sound }) {
  const { listener, chart } = view;
  if (listener.playing?.passage.called === called) {
    listener.stop();
    return;
  }
  const { bars: [first, last], places } = sound ? soundIn(chart, around(view), name, sound) : { ...stretchOf(view), places: null };
  const { bars: bars2, end_s } = chart.time_map;
  view.session.error = "";
  const where = await listener.playDrum(
    { name, called, ...places ? { places: places.map((p) => [p.bar, p.at]) } : {} },
    { start_s: bars2[first].beats_s[0], end_s: bars2[last + 1]?.beats_s[0] ?? end_s }
  );
  if (where) view.say(`The clearest strokes of ${called}: ${where}.`);
}

// js/commands.js
var VELOCITY_STEP = 8;
var BAR_LINE_STEP_S = 5e-3;
var SUBDIVISIONS2 = [1, 2, 3, 4, 6, 8, 12];
var COMMANDS = {
  "left": (v) => go(v, neighbourColumn(v.chart, v.cursor, -1)),
  "right": (v) => go(v, neighbourColumn(v.chart, v.cursor, 1)),
  "left between": (v) => go(v, neighbourBetween(v.chart, v.cursor, -1)),
  "right between": (v) => go(v, neighbourBetween(v.chart, v.cursor, 1)),
  "up": (v) => changeRow(v, -1),
  "down": (v) => changeRow(v, 1),
  "bar left": (v) => goToBar(v, v.cursor.bar - 1),
  "bar right": (v) => goToBar(v, v.cursor.bar + 1),
  "line up": (v) => goByLine(v, -1),
  "line down": (v) => goByLine(v, 1),
  "first bar": (v) => goToBar(v, 0),
  "last bar": (v) => goToBar(v, v.chart.bars.length - 1),
  "nearer": (v) => v.zoom(-1),
  "farther": (v) => v.zoom(1),
  "leave": (v) => v.leave(),
  "next doubt": (v) => {
    goToDoubt(v, 1);
    tellDoubted(v);
  },
  "previous doubt": (v) => goToDoubt(v, -1),
  "next alike": (v) => {
    const alike = v.alikeHere();
    if (!alike.length) return v.say("Nothing here is asked in another bar, too.");
    v.moveCursor(alike.find((p) => p.bar > v.cursor.bar) ?? alike[0]);
  },
  "next doubtful bar": (v) => {
    const bars2 = doubtfulBars(v.chart, v.doubtBelow);
    const bar = bars2.find((b) => b !== v.cursor.bar) ?? bars2[0];
    if (bar === void 0) return v.say("No bar is in doubt any more.");
    const { note } = doubtfulHits(v.chart, v.doubtBelow).find((d) => d.bar === bar);
    v.moveCursor({ bar, at: note.at, instrument: note.instrument });
  },
  "keep": (v) => {
    if (answerPossible(v, true)) return v.chosen.size ? void 0 : goToDoubt(v, 1, true);
    const hits2 = hitsMeant(v).filter(({ note }) => !note.confirmed);
    const marks = v.chosen.size ? [] : marksMeant(v.chart, v.cursor, v.selection);
    if (!hits2.length && marks.length) return keepMarks(v, marks);
    if (!hits2.length) return v.say(hitsMeant(v).length ? "Kept already." : "There is no hit and no mark here to keep.");
    const one = hits2.length === 1 && !v.chosen.size && !v.selection;
    v.edit(changeEdit(hits2, () => ({ confirmed: true }), "keep"));
    if (one) goToDoubt(v, 1, true);
    else v.say(`${count2(hits2)} kept.`);
  },
  "reject": (v) => {
    if (answerPossible(v, false)) return v.chosen.size ? void 0 : goToDoubt(v, 1, true);
    const one = !v.chosen.size && !v.selection;
    if (!withHits(v, (hits2) => v.edit(removeEdit(hits2, "remove hits")), "removed")) return;
    if (one) goToDoubt(v, 1, true);
  },
  "keep bars": (v) => {
    const [first, last] = bars(v);
    const done = v.chart.bars.slice(first, last + 1).every((b) => b.done);
    v.edit({ edit: "set done", first_bar: first, last_bar: last, done: !done });
    const left = v.chart.bars.filter((b) => !b.done).length;
    v.say(`${done ? "To be looked at again" : "Done, every hit kept"}: ${inBars(v, [first, last]).slice(3)}. ` + (left ? `${left} bar${left > 1 ? "s" : ""} left.` : "The chart is done."));
  },
  "next undone bar": (v) => {
    const undone = v.chart.bars.flatMap((b, k) => b.done ? [] : [k]);
    if (!undone.length) return v.say("Every bar is done.");
    goToBar(v, undone.find((k) => k > v.cursor.bar) ?? undone[0]);
  },
  "correct repeats": (v) => {
    const act = v.repeatElsewhere();
    if (!act) return v.say("Nothing to correct elsewhere: no other bar is as this one was, and no doubt is like one just answered.");
    act();
  },
  "toggle": (v) => {
    const { bar, at, instrument } = v.cursor;
    if (noteAt(v.chart, bar, at, instrument)) v.edit(removeEdit(hitsAt(v.chart, [v.cursor]), "remove"));
    else if (!answerPossible(v, true)) v.edit({ edit: "add note", bar_index: bar, note: writtenNote(v.chart, at, instrument) });
  },
  "remove": (v) => withHits(v, (hits2) => v.edit(removeEdit(hits2, "remove hits")), "removed"),
  "move left": (v) => moveMeant(v, (p) => column(v, p, -1), "moved a column back"),
  "move right": (v) => moveMeant(v, (p) => column(v, p, 1), "moved a column on"),
  "move up": (v) => moveMeant(v, (p) => neighbourRow(v, p, -1), "given to the row above"),
  "move down": (v) => moveMeant(v, (p) => neighbourRow(v, p, 1), "given to the row below"),
  "to drum": (v, name) => moveMeant(v, (p) => ({ ...p, instrument: name }), `given to the ${name}`),
  "louder": (v) => withHits(v, (hits2) => v.edit(velocities(hits2, (x) => x + VELOCITY_STEP)), "louder"),
  "softer": (v) => withHits(v, (hits2) => v.edit(velocities(hits2, (x) => x - VELOCITY_STEP)), "softer"),
  "velocity": (v, key) => {
    const velocity = Math.round(Number(key) * 127 / 9);
    withHits(v, (hits2) => v.edit(velocities(hits2, () => velocity)), `velocity ${velocity}`);
  },
  "right hand": (v) => hand(v, "R"),
  "left hand": (v) => hand(v, "L"),
  ...Object.fromEntries(["ghost", "accent", "flam", "drag", "double", "roll", "choke", "rim shot", "half open", "foot splash"].map(
    (name) => [name, (v) => articulate(v, name)]
  )),
  "open": (v) => {
    const other = { "closed hi-hat": "open hi-hat", "open hi-hat": "closed hi-hat", "pedal hi-hat": "open hi-hat" };
    const hits2 = hitsMeant(v).filter(({ note }) => other[note.instrument]);
    if (!hits2.length) return v.say("Only a hi-hat is open or closed.");
    move(v, hits2, (p) => ({ ...p, instrument: other[p.instrument] }), "open or closed");
  },
  "select left": (v) => extendSelection(v, -1),
  "select right": (v) => extendSelection(v, 1),
  "select all": (v) => v.select([0, v.chart.bars.length - 1]),
  "all alike": (v) => withHits(v, (hits2) => {
    const alike = new Set(hits2.map(({ note }) => `${note.at} ${note.instrument}`));
    v.choose(chosenOf(hitsOf2(v.chart, v.selection || [0, v.chart.bars.length - 1], (n) => alike.has(`${n.at} ${n.instrument}`))));
    v.sayChosen();
  }),
  "in every bar": (v) => {
    const hits2 = v.chosen.size ? hitsAt(v.chart, v.chosen.values()) : hitsAt(v.chart, [v.cursor]);
    const stretch = v.selection || [0, v.chart.bars.length - 1];
    const where = v.selection ? inBars(v, stretch) : "in the whole song";
    if (!hits2.length) {
      const { at, instrument } = v.cursor;
      const others = hitsOf2(v.chart, stretch, (n) => n.at === at && n.instrument === instrument);
      if (!others.length) return v.say(`No bar has ${withArticle(instrument)} at this place.`);
      v.edit(removeEdit(others, "in no bar"));
      return v.say(`${count2(others)} taken out ${where}, as here; Ctrl Z brings back.`);
    }
    const found = everyBarEdit(v.chart, hits2, stretch);
    if (!found) return v.say("Every bar has that already.");
    v.edit(found.edit);
    v.say(`${count2(found.places)} written ${where}, as here; Ctrl Z takes back.`);
  },
  "fill row": (v) => {
    const { instrument } = v.cursor;
    const found = fillRowEdit(v.chart, instrument, bars(v));
    if (!found) return v.say(`The row of the ${instrument} is full ${inBars(v, bars(v))}.`);
    v.edit(found.edit);
    v.say(`${instrument} on every ${found.parts > 1 ? `1/${found.parts} of a beat` : "beat"} ${inBars(v, bars(v))}: ${count2(found.places)} written; again: finer.`);
  },
  "copy": (v) => copy(v),
  "cut": (v) => {
    copy(v);
    if (v.chosen.size) return v.run("remove");
    const [first, last] = bars(v);
    const empty = v.chart.bars.slice(first, last + 1).map((b) => ({ ...b, notes: [] }));
    v.edit({ edit: "set bars", first_bar: first, bars: empty });
    v.say(`Hits ${inBars(v, bars(v))} taken out and copied; the bars stay.`);
  },
  "paste": (v) => {
    const { copied } = v.session;
    if (!copied) return v.say("Nothing is copied yet: choose hits or bars and press Ctrl C.");
    if (copied.hits) return writeCopies(v, pasteHitsEdit(v.chart, copied, v.cursor), "pasted");
    const [first, last] = bars(v);
    const most = Math.max(copied.length, v.selection ? last - first + 1 : 0);
    const edit = pasteEdit(v.chart, copied, first, most);
    v.edit(edit);
    v.say(`Pasted over what was ${inBars(v, [first, first + edit.bars.length - 1])}.`);
  },
  "repeat": (v) => {
    if (v.chosen.size) return writeCopies(v, repeatHitsEdit(v.chart, hitsMeant(v)), "repeated");
    const [first, last] = bars(v);
    const edit = pasteEdit(v.chart, copiedBars(v.chart, first, last), last + 1);
    if (!edit) return v.say("The chart ends here: there is no bar to write the repeat into.");
    v.edit(edit);
    const to = [last + 1, last + edit.bars.length];
    v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, to[0]) }, false);
    v.select(to);
    v.say(`Repeated over what was ${inBars(v, to)}.`);
  },
  "coarser": (v) => subdivide2(v, -1),
  "finer": (v) => subdivide2(v, 1),
  "line earlier": (v) => nudgeLine(v, -BAR_LINE_STEP_S),
  "line later": (v) => nudgeLine(v, BAR_LINE_STEP_S),
  "section": (v) => askSection(v),
  "mark fill": (v) => {
    v.edit(fillEdit(v.chart, v.cursor, v.selection));
    sayMark(v, "E sets another end, u takes it back.");
  },
  "end fill": (v) => {
    const edit = fillEndEdit(v.chart, v.cursor);
    if (!edit) return v.say("No fill begins before this column: F marks one from here.");
    v.edit(edit);
    sayMark(v);
  },
  "next mark": (v) => goToMark(v, 1),
  "previous mark": (v) => goToMark(v, -1),
  "drop mark": (v) => withMarks(v, (marks) => {
    v.edit(dropEdit(v.chart, marks));
    if (marks.some((m) => m.kind === "fill")) {
      v.say("Not a fill: no reading proposes one here again; u at that word takes it back.");
    } else if (marks.some((m) => saysNoFill(v.chart, m))) v.say("A reading may propose a fill here again.");
    else v.say("Mark taken away; another reading may propose it again.");
  }),
  "word mark": (v) => {
    const mark = markMeant(v.chart, v.cursor);
    if (!mark) return v.say(NO_MARK);
    v.ask(`Words of the ${mark.kind} marked here: `, mark.text, "", (text) => v.edit(wordsEdit(mark, text)));
  },
  "menu": (v) => v.openMenuHere(),
  "play": (v) => v.togglePlaying(),
  "loop": (v) => v.set("loop", !v.model.get("loop")),
  "compare": (v) => {
    const { listener } = v;
    listener.turn = { heard: "written", written: "" }[listener.turn ?? ""] ?? "heard";
    listener.applySettings();
    v.say({ heard: "You hear the recording alone.", written: "You hear the chart alone." }[listener.turn] ?? "You hear the mixture that the sliders say.");
  },
  "tap": (v) => v.tap(),
  "tap beats": (v) => v.tap(true),
  "undo": (v) => v.session.do({ command: "undo" }),
  "redo": (v) => v.session.do({ command: "redo" }),
  "save": (v) => v.session.do({ command: "save" }),
  "export": (v) => v.session.do({ command: "export" }),
  "cue": (v) => askText(v, v.cursor.bar, `Words over ${theBar(v.chart, v.cursor.bar)}: `, "empty: none", {
    mine: (text) => !LAYOUT.test(text)
  }),
  "tempo words": (v) => askText(
    v,
    v.cursor.bar,
    `Words before the tempo of ${theBar(v.chart, v.cursor.bar)}: `,
    "Slow and heavy (empty: none)",
    {
      mine: (text) => TEMPO.test(text),
      told: (text) => text.replace(TEMPO, ""),
      kept: (words2) => words2 && `tempo: ${words2}`
    }
  ),
  "repeat signs": (v) => askRepeat(v),
  "slashes": (v) => {
    const [first, last] = bars(v);
    v.edit({ edit: "set text", bar_index: first, position: "0", text: `play ${last - first + 1}` });
    v.say(`The score shows slashes ${inBars(v, [first, last])}; empty the words over the bar to take them back.`);
  },
  "reload": (v) => v.session.do({ command: "reload" }),
  "keys": (v) => v.toggleKeys(),
  "drums": (v) => {
    v.toolbar.open(v.toolbar.opened === "Drums" ? "" : "Drums");
    const first = v.toolbar.panel.querySelector("button");
    if (first) first.focus();
    else v.takeKeys();
  }
};
var bars = (v) => v.selection || [v.cursor.bar, v.cursor.bar];
function go(v, place2) {
  if (place2) v.moveCursor({ ...v.cursor, ...place2 });
}
function goToBar(v, bar, clear = true) {
  if (bar < 0 || bar >= v.chart.bars.length) return;
  v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, bar) }, clear);
}
function goByLine(v, direction) {
  const line3 = lineOf(v.sheet, v.cursor.bar);
  const next = v.sheet.lines[line3.index + direction];
  if (next) goToBar(v, Math.min(next.first + v.cursor.bar - line3.first, next.last - 1));
}
function neighbourRow(v, place2, direction) {
  const instrument = v.rows[v.rowOf.get(place2.instrument) + direction];
  return instrument ? { ...place2, instrument } : null;
}
function column(v, place2, direction) {
  const to = neighbourColumn(v.chart, place2, direction);
  return to && { ...to, instrument: place2.instrument };
}
function changeRow(v, direction) {
  go(v, neighbourRow(v, v.cursor, direction));
}
var count2 = (hits2) => `${hits2.length} hit${hits2.length > 1 ? "s" : ""}`;
function inBars(v, [first, last]) {
  return `in ${barsSaid(v.chart, first, last)}`;
}
function goToDoubt(v, direction, answered = false) {
  const stops = withFaults(v, stopsOf(v.chart, v.time, v.doubtBelow, v.rowOf));
  if (!stops.length) return answered ? void 0 : v.say("Nothing is in doubt any more.");
  const { cursor } = v;
  const from = (s) => s.bar - cursor.bar || compare(parseFraction(s.at), parseFraction(cursor.at));
  const here = stops.find((s) => !s.fault && from(s) === 0);
  const others = here?.asked.filter((p) => p.instrument !== cursor.instrument) ?? [];
  if (answered && others.length) return v.moveCursor(others[0]);
  const isOnStop = !here || answered || others.length < here.asked.length;
  const rank = v.atFault === placeKey(cursor) ? -1 : isOnStop ? 0 : -direction / 2;
  const order = (s) => from(s) || (s.fault ? -1 : 0) - rank;
  const found = direction > 0 ? stops.find((s) => order(s) > 0) ?? stops[0] : stops.filter((s) => order(s) < 0).pop() ?? stops[stops.length - 1];
  v.moveCursor({ bar: found.bar, at: found.at, instrument: found.instrument });
  v.atFault = found.fault ? placeKey(found) : "";
  if (found.fault) sayFault(v, found.fault);
}
function tellDoubted(v) {
  const whole = { bars: [0, v.chart.bars.length - 1] };
  v.tellAside(doubtedWords(drumsOf(v.chart, v.time, v.doubtBelow, whole, v.session.info.kit), v.session.toldDrums));
}
function answerPossible(v, yes) {
  const places = v.chosen.size ? [...v.chosen.values()] : v.selection ? [] : [v.cursor];
  const hits2 = places.flatMap((p) => possibleAt(v.chart, v.time, p) ?? []);
  if (!hits2.length) return false;
  v.edit(together(answerEdits(hits2, yes), yes ? "write possible hits" : "refuse possible hits"));
  if (v.chosen.size) v.say(`${count2(hits2)} ${yes ? "written, where they are heard" : "refused"}.`);
  return true;
}
function withHits(v, act, done = "") {
  const hits2 = hitsMeant(v);
  if (hits2.length) act(hits2);
  else v.say(v.selection ? "The selected bars have no hits." : "There is no hit here; Enter writes one.");
  if (hits2.length > 1 && done) v.say(`${count2(hits2)}: ${done}.`);
  return hits2.length > 0;
}
var velocities = (hits2, changed) => changeEdit(hits2, (note) => ({
  velocity: Math.min(Math.max(changed(note.velocity), 1), 127),
  confirmed: true
}), "loudness");
function hand(v, letter) {
  withHits(v, (hits2) => {
    const sticking = hits2.every(({ note }) => note.sticking === letter) ? "" : letter;
    v.edit(changeEdit(hits2, () => ({ sticking, confirmed: true }), "sticking"));
  }, letter === "R" ? "right hand" : "left hand");
}
function articulate(v, name) {
  const there = withHits(v, (hits2) => {
    const edit = articulateEdit(hits2, name, v.session.info.kit);
    if (edit) v.edit(edit);
    else v.say(`${capital(withArticle(hits2[0].note.instrument))} ${name === "half open" ? "cannot be" : "has no"} ${name}.`);
  }, name);
  if (!there && name === "rim shot" && !v.selection) v.say("There is no hit here to be a rim shot; Shift M mends bar lines.");
}
function move(v, hits2, to, done) {
  const moved = moveEdit(hits2, to, "move hits");
  if (!moved) return v.say("There is no place to move to.");
  const { cursor } = v;
  const mine = hits2.findIndex(({ bar, note }) => placeKey({ bar, at: note.at, instrument: note.instrument }) === placeKey(cursor));
  v.edit(moved.edit);
  if (v.chosen.size) v.choose(new Map(moved.places.map((p) => [placeKey(p), p])));
  if (mine >= 0) v.moveCursor(moved.places[mine], false);
  if (hits2.length > 1) v.say(`${count2(hits2)} ${done}.`);
}
function moveMeant(v, to, done) {
  withHits(v, (hits2) => move(v, hits2, to, done));
}
function moveHits(v, from, to) {
  const hits2 = v.chosen.has(placeKey(from)) ? hitsMeant(v) : hitsAt(v.chart, [from]);
  if (placeKey(from) === placeKey(to)) return;
  if (hits2.length === 1) return move(v, hits2, () => to, "moved");
  const rows = v.rowOf.get(to.instrument) - v.rowOf.get(from.instrument);
  const copied = copyOf(v.chart, [...hits2, ...hitsAt(v.chart, [from])]);
  const shifted = /* @__PURE__ */ new Map();
  const offset = copied.hits[copied.hits.length - 1].after;
  hits2.forEach(({ bar, note }, k) => shifted.set(placeKey({ bar, at: note.at, instrument: note.instrument }), copied.hits[k].after));
  move(v, hits2, (p) => {
    const instrument = v.rows[v.rowOf.get(p.instrument) + rows];
    const there = placeBeyond(v.chart, to, shifted.get(placeKey(p)), offset);
    return instrument && there ? { ...there, instrument } : null;
  }, "moved");
}
function copy(v) {
  if (v.chosen.size) {
    const hits2 = hitsMeant(v);
    v.session.copied = copyOf(v.chart, hits2);
    return v.say(`${count2(hits2)} copied; Ctrl V writes them from the cursor on.`);
  }
  v.session.copied = copiedBars(v.chart, ...bars(v));
  const n = v.session.copied.length;
  v.say(`${n} bar${n > 1 ? "s" : ""} copied; Ctrl V writes ${n > 1 ? "them" : "it"} at the cursor.`);
}
function writeCopies(v, found, done) {
  if (!found) return v.say("The chart ends here: there is no bar to write into.");
  v.edit(found.edit);
  v.choose(new Map(found.places.map((p) => [placeKey(p), p])));
  v.moveCursor(found.places[0], false);
  v.say(`${count2(found.places)} ${done}.`);
}
function extendSelection(v, direction) {
  const anchor = v.anchor ?? v.cursor.bar;
  const bar = v.selection ? v.cursor.bar + direction : v.cursor.bar;
  if (bar < 0 || bar >= v.chart.bars.length) return;
  v.anchor = anchor;
  v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, bar) }, false);
  v.select([Math.min(anchor, bar), Math.max(anchor, bar)]);
}
function subdivide2(v, direction) {
  const [first, last] = bars(v);
  const edits = [];
  for (let bar = first; bar <= last; bar++) {
    const timed = v.chart.time_map.bars[bar];
    const before = v.chart.bars[bar].subdivisions?.[0] ?? (readMeter(timed.meter).compound ? 6 : 4);
    const next = direction > 0 ? SUBDIVISIONS2.find((s) => s > before) : SUBDIVISIONS2.filter((s) => s < before).pop();
    if (next) edits.push({ edit: "set subdivisions", bar_index: bar, subdivisions: beatSpans(timed).map(() => next) });
  }
  if (edits.length === 1) v.edit(edits[0]);
  else if (edits.length) v.edit({ edit: "together", edits, name: "set subdivisions" });
}
var NO_MARK = "Nothing is marked in this bar: F marks a fill from the cursor on.";
function withMarks(v, act) {
  const marks = marksMeant(v.chart, v.cursor, v.selection);
  if (marks.length) act(marks);
  else v.say(v.selection ? "No mark begins in the selected bars." : NO_MARK);
}
function keepMarks(v, marks) {
  const edit = keepEdit(marks);
  if (!edit) return v.say("What is marked here is confirmed already.");
  v.edit(edit);
  v.say(`${marks.length > 1 ? "Marks" : "Mark"} kept: no reading changes ${marks.length > 1 ? "them" : "it"} any more.`);
}
function sayMark(v, then = "") {
  const mark = markMeant(v.chart, v.cursor);
  if (mark) v.say([`${barName(v.chart, v.cursor.bar)}: ${describeMark(v.chart, v.cursor.bar, mark)}.`, then].join(" "));
}
function goToMark(v, direction) {
  const marks = proposedMarks(v.chart);
  if (!marks.length) return v.say("No mark is only proposed.");
  const side2 = (m) => comparePlaces(m.start, [v.cursor.bar, v.cursor.at]) * direction > 0;
  const ordered = direction > 0 ? marks : marks.reverse();
  const [bar, at] = (ordered.find(side2) ?? ordered[0]).start;
  v.moveCursor({ ...v.cursor, bar, at });
}
var REPEAT = /^(?:repeat (\d+)(?:, (\d+) times)?|write out (\d+))$/i;
var TEMPO = /^tempo: /i;
var LAYOUT = new RegExp(`${REPEAT.source}|${TEMPO.source}`, "i");
function cueOf(v, bar, mine) {
  const here = v.chart.texts.filter((t) => t.bar_index === bar);
  return here.find((t) => mine(t.text)) ?? { at: ["0", "1/64", "1/32", "3/64"].find((at) => here.every((t) => t.at !== at)), text: "" };
}
function setCue(v, bar, { at }, text) {
  v.edit({ edit: "set text", bar_index: bar, position: at, text });
}
function askText(v, bar, question, placeholder, { mine, told = (text) => text, kept: kept2 = (text) => text }) {
  const now2 = cueOf(v, bar, mine);
  v.ask(question, told(now2.text), placeholder, (text) => (text || now2.text) && setCue(v, bar, now2, kept2(text)));
}
var written = (v, bar) => v.chart.bars[bar].notes.map((n) => [n.at, n.instrument, n.articulations, n.sticking].join(" ")).join("|");
function askRepeat(v) {
  const [first, last] = bars(v);
  const n = last - first + 1;
  const now2 = cueOf(v, first, (text) => REPEAT.test(text));
  const [, set, times2, out] = now2.text.match(REPEAT) || [];
  v.ask(
    `${capital(inBars(v, [first, last]).slice(3))} with repeat signs. Played how often in all? `,
    out ? "1" : set ? times2 || "2" : "2",
    "1: never folded; empty: as the sections say",
    (text) => {
      const count3 = Number(text || 0);
      const end = first + n * count3;
      if (!text) return now2.text && setCue(v, first, now2, "");
      if (!Number.isInteger(count3) || count3 < 1 || count3 > 99) return v.say("A number, please: how often these bars are played.");
      if (end > v.chart.bars.length) return v.say(`The chart ends before these ${n > 1 ? `${n} bars` : "bar"} could come ${count3} times.`);
      const other = Array.from({ length: count3 }, (_, k) => first + k * n).find((k) => written(v, k) !== written(v, first));
      if (other !== void 0) {
        return v.say(`No repeat: ${theBar(v.chart, first)} and ${theBar(v.chart, other)} are written differently.`);
      }
      setCue(v, first, now2, count3 === 1 ? `write out ${n}` : `repeat ${n}${count3 > 2 ? `, ${count3} times` : ""}`);
      v.say(count3 === 1 ? `The score writes out ${inBars(v, [first, last]).slice(3)}.` : `The score shows ${inBars(v, [first, last]).slice(3)} with repeat signs for ${inBars(v, [first, end - 1]).slice(3)}; endings where they differ.`);
    }
  );
}
var capital = (text) => text[0].toUpperCase() + text.slice(1);
function askSection(v) {
  const { bar } = v.cursor;
  const now2 = v.chart.sections.find((s) => s.bar_index === bar);
  v.ask(
    `Section beginning at ${theBar(v.chart, bar)}: `,
    now2 ? now2.name : "",
    "Verse (empty: no section here)",
    (name) => {
      if (name) v.edit({ edit: "name section", bar_index: bar, name, label: now2?.label || "" });
      else if (now2) v.edit({ edit: "remove section", bar_index: bar });
    }
  );
}
var REBARRINGS = {
  "one earlier": [{ edit: "shift one", beats: "-1" }, "The 1 is a beat earlier"],
  "one later": [{ edit: "shift one", beats: "1" }, "The 1 is a beat later"],
  "one half later": [{ edit: "shift one", beats: "1/2" }, "The 1 is half a beat later"],
  "half tempo": [{ edit: "change level", factor: "1/2" }, "Counted half as fast"],
  "double tempo": [{ edit: "change level", factor: "2" }, "Counted twice as fast"],
  "three for two": [{ edit: "change level", factor: "3/2" }, "Three beats for two"],
  "two for three": [{ edit: "change level", factor: "2/3" }, "Two beats for three"]
};
function meant(v) {
  const kind = v.model.get("bars_meant");
  if (kind === "whole song") return [{}, "in the whole song"];
  const [first, last] = bars(v);
  if (kind === "from here on") return [{ first_bar: first }, `from ${theBar(v.chart, first)} on`];
  return [{ first_bar: first, last_bar: last }, inBars(v, [first, last])];
}
Object.assign(COMMANDS, BAR_COMMANDS);
COMMANDS["set meter"] = (v, meter) => {
  const [stretch, where] = meant(v);
  v.edit({ edit: "set meter", meter, ...stretch });
  v.say(`${meter} ${where}; every hit stays where it was heard.`);
};
COMMANDS["pick-up"] = (v, beats) => {
  const { beatLength } = readMeter(v.chart.time_map.bars.at(v.chart.time_map.bars.length > 1 ? 1 : 0).meter);
  if (!/^\d{1,3}(\/\d{1,2})?$/.test(beats)) return v.say("Beats before the first full bar, please: 1, 2, 1/2; 0 for none.");
  v.edit({ edit: "set pick-up", length: textOf(multiply(beatLength, parseFraction(beats))) });
  v.say(`${beats === "0" ? "No pick-up" : `A pick-up of ${beats} beat${beats === "1" ? "" : "s"}`}; every hit stays where it was heard.`);
};
for (const [name, [edit, words2]] of Object.entries(REBARRINGS)) {
  COMMANDS[name] = (v) => {
    const [stretch, where] = meant(v);
    v.edit({ ...edit, ...stretch });
    v.say(`${words2} ${where}; every hit stays where it was heard.`);
  };
}
COMMANDS["split bar"] = (v) => {
  const { bar, at } = v.cursor;
  if (at === "0") return v.say(`Move the cursor to where the second bar is to begin: it stands on the first place of ${theBar(v.chart, bar)}.`);
  v.edit({ edit: "split bar", bar_index: bar, position: at });
  v.say(`${barName(v.chart, bar)} is two bars, the second from ${thePlace(v.chart.time_map.bars[bar], parseFraction(at))} on.`);
};
COMMANDS["join bars"] = (v) => {
  const { bar } = v.cursor;
  v.edit({ edit: "join bars", bar_index: bar });
  v.say(`${barName(v.chart, bar)} and the next are one bar.`);
};
COMMANDS["fix line"] = (v) => {
  const { fixed } = v.chart.time_map.bars[v.cursor.bar];
  v.edit({ edit: "fix line", bar_index: v.cursor.bar, fixed: !fixed });
  v.say(fixed ? "The line may move again." : "The line is fixed: bars laid anew keep it.");
};
var BAR_ACTS = {
  "insert bars": (v, before = true) => {
    const [first, last] = bars(v);
    const n = last - first + 1;
    return heardBetween(v, first) ? `${barName(v.chart, first)} becomes two${before ? ", if it lasts as long as two" : ""}: a line was missed` : `Insert ${n > 1 ? `${n} bars` : "a bar"} before ${theBar(v.chart, first)}`;
  },
  "delete bars": (v, before = true) => {
    const [first, last] = bars(v);
    return v.chart.recording && first === last && heardBetween(v, first) ? `${barName(v.chart, first)} and the next become one${before ? ", if together they last as long as one" : ""}: a line too many` : `Delete ${inBars(v, [first, last]).slice(3)}`;
  },
  "duplicate bars": (v, before = true) => `Insert a copy after ${inBars(v, bars(v)).slice(3)}${before && heardBetween(v, bars(v)[1] + 1) ? ", if the recording has time for it" : ""}`,
  "bars earlier": (v) => `Hits ${inBars(v, bars(v))} a bar earlier`,
  "bars later": (v) => `Hits ${inBars(v, bars(v))} a bar later`
};
var heardBetween = (v, bar) => Boolean(v.chart.recording) && bar > 0 && bar < v.chart.bars.length - 1;
function actOnBars(name, edit) {
  COMMANDS[name] = (v) => {
    const words2 = BAR_ACTS[name](v, false);
    const made = edit(v, ...bars(v));
    if (!made) return v.say("There is no bar on that side.");
    v.edit(made);
    v.say(`Done: ${words2[0].toLowerCase()}${words2.slice(1)}.`);
  };
}
actOnBars("insert bars", (v, first, last) => ({ edit: "insert bars", bar_index: first, count: last - first + 1 }));
actOnBars("delete bars", (v, first, last) => ({ edit: "delete bars", first_bar: first, last_bar: last }));
actOnBars("duplicate bars", (v, first, last) => ({ edit: "together", name: "duplicate bars", edits: [
  { edit: "insert bars", bar_index: last + 1, count: last - first + 1 },
  { edit: "set bars", first_bar: last + 1, bars: copiedBars(v.chart, first, last) }
] }));
actOnBars("bars earlier", (v, first, last) => rotated(v, first - 1, last, 1));
actOnBars("bars later", (v, first, last) => rotated(v, first, last + 1, -1));
function rotated(v, first, last, by) {
  const inside = v.chart.bars.slice(first, last + 1);
  if (first < 0 || last >= v.chart.bars.length) return null;
  const to = by > 0 ? [first, last - 1] : [first + 1, last];
  v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, to[0]) }, false);
  if (v.selection) v.select(to);
  return { edit: "set bars", first_bar: first, bars: by > 0 ? [...inside.slice(1), inside[0]] : [inside[inside.length - 1], ...inside.slice(0, -1)] };
}
function nudgeLine(v, step_s) {
  const bar = v.cursor.bar;
  const moves = v.session.pending.map((p) => p.message.edit).filter((e) => e?.edit === "move bar line" && e.bar_index === bar);
  const from_s = moves.at(-1)?.time_s ?? v.chart.time_map.bars[bar].beats_s[0];
  v.edit({ edit: "move bar line", bar_index: bar, time_s: from_s + step_s });
}

// js/keyboard.js
var OWN_KEYS = [
  ["select", /^(Arrow|Enter$| $|Home$|End$|Page|Tab$|F\d)/],
  ["input[type=range]", /^(Arrow|Home$|End$|Page|Tab$)/],
  ["button, summary, a[href], input[type=checkbox]", /^(Enter$| $|Tab$)/],
  [".wbs, .wbg-keys", /^(ArrowUp$|ArrowDown$|Page|Home$|End$|Tab$)/],
  ["*", /^(Tab$|F\d)/]
];
var TEXT = "textarea, input:not([type=range]):not([type=checkbox]), [contenteditable=true]";
function isOwn(event) {
  const { target, key } = event;
  if (target.closest(TEXT)) return true;
  if (event.ctrlKey || event.metaKey || event.altKey) return false;
  return OWN_KEYS.some(([selector, keys]) => target.closest(selector) && keys.test(key));
}
function placeOf(el) {
  let place2 = el;
  for (let e = el; e; e = e.parentElement) if (e.matches(".jupyter-widgets, .widget-box, .wbg")) place2 = e;
  return place2;
}
function attachKeys(view) {
  const { el } = view;
  let place2 = null;
  const show2 = (here) => {
    el.dataset.keys = here ? "here" : "away";
  };
  const listeners = {
    keydown: (event) => {
      event.stopPropagation();
      if (isOwn(event) || event.defaultPrevented) return;
      const shortcut = shortcutOf(event);
      if (!shortcut || !view.chart) return;
      event.preventDefault();
      view.run(shortcut.command, event.key, event);
    },
    keyup: (event) => event.stopPropagation(),
    keypress: (event) => event.stopPropagation(),
    focusin: (event) => {
      event.target.dataset.lmSuppressShortcuts = "true";
      show2(true);
      if (event.target === place2) view.takeKeys();
    },
    focusout: (event) => {
      if (!place2.contains(event.relatedTarget)) show2(false);
    }
  };
  const attach = () => {
    if (!el.isConnected) {
      waiting = requestAnimationFrame(attach);
      return;
    }
    place2 = placeOf(el);
    if (!place2.hasAttribute("tabindex")) place2.tabIndex = -1;
    place2.dataset.lmSuppressShortcuts = "true";
    for (const [name, listener] of Object.entries(listeners)) place2.addEventListener(name, listener);
    show2(place2.contains(document.activeElement));
  };
  let waiting = requestAnimationFrame(attach);
  return () => {
    cancelAnimationFrame(waiting);
    for (const [name, listener] of Object.entries(listeners)) place2?.removeEventListener(name, listener);
  };
}
function giveKeysBack(view) {
  document.activeElement?.blur();
  view.el.closest(".jp-Notebook")?.focus();
}

// js/mouse.js
var DRAG_PX = 5;
var DOUBLE_MS = 800;
var GRASP_PX = 5;
var NEAR_PX = { mouse: 8, pen: 10, touch: 16 };
var PINCH = 1.35;
function attachMouse(view) {
  const { scroller, overview } = view;
  let down = null;
  const fingers = /* @__PURE__ */ new Map();
  let spread = 0;
  let written2 = { key: "", at: 0 };
  const point = (event) => {
    const box = scroller.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top + scroller.scrollTop };
  };
  const placeUnder = (event, hit) => ({
    instrument: view.rows[hit.row],
    ...(event.altKey ? nearestBetween : nearestColumn)(view.chart, hit.bar, hit.position)
  });
  const onDown = (event) => {
    if (event.pointerType === "touch") {
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      spread = spreadOf(fingers);
      if (fingers.size > 1) down = null;
    }
    if (event.button !== 0 || !view.sheet || fingers.size > 1) return;
    view.takeKeys();
    const { x, y } = point(event);
    const hit = hitTest(view.sheet, x, y);
    down = null;
    const start = { x, y, atX: event.clientX, atY: event.clientY };
    if (hit.zone === "names") {
      const instrument = view.rows[hit.row];
      view.moveCursor({ ...view.cursor, instrument }, false);
      const within = view.selection || [0, view.chart.bars.length - 1];
      view.choose(chosenOf(hitsOf2(view.chart, within, (n) => n.instrument === instrument)), event.shiftKey);
      view.say(`${view.chosen.size} hits of the ${instrument} chosen${view.selection ? " in the selected bars" : ""}.`);
    } else if (hit.zone === "head" && hit.bar !== void 0 && (event.ctrlKey || event.metaKey)) {
      const [first, last] = view.selection || [];
      down = { copying: hit.bar >= first && hit.bar <= last ? [first, last] : [hit.bar, hit.bar], onto: hit.bar, ...start };
    } else if (hit.zone === "head" && hit.bar !== void 0) {
      view.anchor = event.shiftKey ? view.anchor ?? view.cursor.bar : hit.bar;
      const anchor = view.anchor;
      view.moveCursor({ ...view.cursor, ...samePlace(view.chart, view.cursor, hit.bar) }, false);
      view.select([Math.min(anchor, hit.bar), Math.max(anchor, hit.bar)]);
      down = { selecting: anchor };
    } else if (hit.zone === "wave" || hit.zone === "spectrum") {
      const grasped = graspedLine(view, hit.line, x);
      if (grasped !== null) down = { barLine: grasped, line: hit.line.index, x, start: x };
      else if (hit.bar !== void 0) {
        view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
        down = { scrub: hit.line.index, ...start };
        view.scrub(hit.line, x);
      }
    } else if (hit.zone === "rows") {
      const instrument = view.rows[hit.row];
      const near = event.altKey ? null : noteNear(view, hit.line, instrument, x, NEAR_PX[event.pointerType] ?? NEAR_PX.mouse);
      const place2 = near ? { bar: near.bar, at: near.note.at, instrument } : placeUnder(event, hit);
      if (event.shiftKey) chooseBetween(view, view.chooseFrom ?? view.cursor, place2);
      else if (event.ctrlKey || event.metaKey) {
        if (near) view.choose(/* @__PURE__ */ new Map([[placeKey(place2), place2]]), true);
        view.moveCursor(place2, false);
      } else if (near) {
        const among = view.chosen.has(placeKey(place2));
        view.moveCursor(place2, !among);
        down = { hit: place2, among, ...start };
      } else down = { empty: place2, ...start };
      if (!event.shiftKey) view.chooseFrom = place2;
    } else if (hit.zone === "marks") {
      const mark = piecesInLine(view.chart, hit.line).find((p) => x >= p.from && x < p.to)?.mark;
      if (mark) view.moveCursor({ ...view.cursor, bar: mark.start[0], at: mark.start[1] });
      else view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    } else if (hit.zone === "counts") {
      view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    }
    if (down) scroller.setPointerCapture(event.pointerId);
  };
  const onMove = (event) => {
    if (!view.sheet) return;
    if (fingers.has(event.pointerId)) {
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (fingers.size > 1) return onPinch();
    }
    const { x, y } = point(event);
    if (!down) {
      const hit = hitTest(view.sheet, x, y);
      const grasp = (hit.zone === "wave" || hit.zone === "spectrum") && graspedLine(view, hit.line, x) !== null;
      scroller.style.cursor = grasp ? "ew-resize" : hit.zone === "head" || hit.zone === "names" ? "pointer" : hit.zone === "rows" ? "cell" : "default";
      view.hover(hit.zone === "rows" || hit.zone === "names" ? hit.row : -1);
      return;
    }
    const far = Math.hypot(event.clientX - down.atX, event.clientY - down.atY) > DRAG_PX;
    if (down.copying) {
      const hit = hitTest(view.sheet, x, y);
      if (far && hit.bar !== void 0) {
        down.onto = hit.bar;
        scroller.style.cursor = "copy";
        view.say(`${capital(inBars(view, down.copying).slice(3))} onto what is ${inBars(view, coveredBy(view, down))}: let go to copy.`);
      }
    } else if (down.selecting !== void 0) {
      const hit = hitTest(view.sheet, x, y);
      if (hit.bar !== void 0) view.select([Math.min(down.selecting, hit.bar), Math.max(down.selecting, hit.bar)]);
    } else if (down.barLine !== void 0) {
      down.x = x;
      if (Math.abs(x - down.start) > 1) {
        view.drag = down;
        view.draw();
      }
    } else if (down.scrub !== void 0) {
      view.scrub(view.sheet.lines[down.scrub], x);
    } else if (down.hit && far) {
      down.dragged = true;
      scroller.style.cursor = "grabbing";
    } else if (down.empty && (far || down.box)) {
      down.box = { x0: Math.min(x, down.x), y0: Math.min(y, down.y), x1: Math.max(x, down.x), y1: Math.max(y, down.y) };
      view.drag = down;
      view.choose(placesInBox(view, down.box, [rowUnder(view, down.y), rowUnder(view, y)]));
      view.draw();
    }
  };
  const onUp = (event) => {
    fingers.delete(event.pointerId);
    const was = down;
    down = null;
    if (!was) return;
    const { x, y } = point(event);
    if (was.barLine !== void 0 && view.drag) {
      view.drag = null;
      const seconds = timeAtX(view.sheet.lines[was.line], view.time, x);
      view.edit({ edit: "move bar line", bar_index: was.barLine, time_s: Math.round(seconds * 1e4) / 1e4 });
      view.draw();
    } else if (was.copying) {
      copyOnto(view, was);
    } else if (was.selecting !== void 0) {
      if (view.listener.state !== "stopped") view.startPlaying();
    } else if (was.box) {
      view.drag = null;
      view.sayChosen();
      view.draw();
    } else if (was.hit && was.dragged) {
      const hit = hitTest(view.sheet, x, y);
      if (hit.zone === "rows") moveHits(view, was.hit, placeUnder(event, hit));
    } else if (was.hit && was.among) {
      view.moveCursor(was.hit);
    } else if (was.empty) {
      const place2 = was.empty;
      view.moveCursor(place2);
      if (noteAt(view.chart, place2.bar, place2.at, place2.instrument)) return;
      view.run("toggle");
      written2 = { key: placeKey(place2), at: event.timeStamp };
    }
  };
  const onDouble = (event) => {
    const { x, y } = point(event);
    const hit = view.sheet && hitTest(view.sheet, x, y);
    if (!hit || hit.zone !== "rows") return;
    const near = noteNear(view, hit.line, view.rows[hit.row], x, NEAR_PX.mouse);
    const justWritten = written2.key === placeKey(view.cursor) && event.timeStamp - written2.at < DOUBLE_MS;
    if (!near || justWritten) return;
    view.run("remove");
    view.say("Removed; Ctrl Z brings it back.");
  };
  const onPinch = () => {
    const now2 = spreadOf(fingers);
    if (!spread || now2 / spread < PINCH && spread / now2 < PINCH) return;
    view.zoom(now2 > spread ? -1 : 1);
    spread = now2;
  };
  const onMenu = (event) => {
    if (!view.sheet) return;
    event.preventDefault();
    event.stopPropagation();
    down = null;
    const { x, y } = point(event);
    const hit = hitTest(view.sheet, x, y);
    if (hit.zone === "names") return openRowMenu(view, event.clientX, event.clientY, view.rows[hit.row]);
    if (hit.bar === void 0) return;
    const bars2 = hit.zone === "head" || hit.zone === "wave" || hit.zone === "spectrum" || hit.zone === "counts";
    if (bars2) {
      const inside = view.selection && hit.bar >= view.selection[0] && hit.bar <= view.selection[1];
      view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) }, !inside);
    } else if (hit.zone === "rows") {
      const near = noteNear(view, hit.line, view.rows[hit.row], x, NEAR_PX.mouse);
      const place2 = near ? { bar: near.bar, at: near.note.at, instrument: view.rows[hit.row] } : placeUnder(event, hit);
      view.moveCursor(place2, !view.chosen.has(placeKey(place2)));
    }
    openMenu(view, event.clientX, event.clientY, bars2);
  };
  const onWheel = (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    view.zoom(event.deltaY < 0 ? -1 : 1);
  };
  const onOverview = (event) => {
    if (!view.chart || event.buttons !== 1) return;
    const box = overview.getBoundingClientRect();
    const n = view.chart.bars.length;
    const bar = Math.min(Math.max(Math.floor((event.clientX - box.left) / box.width * n), 0), n - 1);
    view.moveCursor({ ...view.cursor, bar, at: "0" });
    view.scroller.scrollTop = lineOf(view.sheet, bar).y;
  };
  const onCancel = (event) => {
    fingers.delete(event.pointerId);
    down = null;
    view.drag = null;
    view.draw();
  };
  const listen = {
    pointerdown: onDown,
    pointermove: onMove,
    pointerup: onUp,
    pointercancel: onCancel,
    dblclick: onDouble,
    contextmenu: onMenu,
    pointerleave: () => view.hover(-1)
  };
  for (const [name, act] of Object.entries(listen)) scroller.addEventListener(name, act);
  scroller.addEventListener("wheel", onWheel, { passive: false });
  overview.addEventListener("pointerdown", (event) => {
    view.takeKeys();
    onOverview(event);
  });
  overview.addEventListener("pointermove", onOverview);
  return () => {
  };
}
function coveredBy(view, { copying: [first, last], onto }) {
  return [onto, Math.min(onto + last - first, view.chart.bars.length - 1)];
}
function copyOnto(view, drawn) {
  const { copying: [first, last], onto } = drawn;
  if (onto >= first && onto <= last) return;
  const covered = coveredBy(view, drawn);
  view.edit(pasteEdit(view.chart, copiedBars(view.chart, first, last), onto));
  view.moveCursor({ ...view.cursor, ...samePlace(view.chart, view.cursor, onto) });
  view.say(`Copied ${inBars(view, [first, last]).slice(3)} over what was ${inBars(view, covered)}; Ctrl Z brings it back.`);
}
function spreadOf(fingers) {
  const [a, b] = fingers.values();
  return b ? Math.hypot(a.x - b.x, a.y - b.y) : 0;
}
function graspedLine(view, line3, x) {
  for (const bar of line3.bars) if (Math.abs(x - bar.x) <= GRASP_PX) return bar.bar;
  return Math.abs(x - line3.right) <= GRASP_PX ? line3.last : null;
}
function noteNear(view, line3, instrument, x, within) {
  let best = null;
  for (const { bar, x: barX } of line3.bars) {
    for (const note of view.chart.bars[bar].notes) {
      if (note.instrument !== instrument) continue;
      const distance = Math.abs(barX + valueOf(parseFraction(note.at)) * line3.scale - x);
      if (distance <= within && (!best || distance < best.distance)) best = { bar, note, distance };
    }
  }
  return best;
}
var rowUnder = (view, y) => rowAt(view.sheet, y - view.sheet.lineHeight * Math.floor(y / view.sheet.lineHeight));
function placesInBox(view, { x0, y0, x1, y1 }, between) {
  const rows = view.rows.slice(Math.min(...between), Math.max(...between) + 1);
  const found = /* @__PURE__ */ new Map();
  for (const line3 of view.sheet.lines) {
    if (line3.y > y1 || line3.y + view.sheet.rowsBottom < y0) continue;
    const inside = ({ bar, at, instrument }) => {
      const x = xOf(view.sheet, bar, valueOf(parseFraction(at)));
      return rows.includes(instrument) && x >= x0 && x <= x1;
    };
    for (const [key, place2] of placesOf(view, [line3.first, line3.last - 1], inside)) found.set(key, place2);
  }
  return found;
}
function placesOf(view, bars2, wanted) {
  const hits2 = hitsOf2(view.chart, bars2, (note, bar) => wanted({ bar, at: note.at, instrument: note.instrument }));
  const possible = possibleOf(view.chart, view.time, bars2).filter(wanted);
  return new Map([...chosenOf(hits2), ...possible.map(({ bar, at, instrument }) => (
    /** @type {[string, any]} */
    [placeKey({ bar, at, instrument }), { bar, at, instrument }]
  ))]);
}
function chooseBetween(view, a, b) {
  const order = (p) => p.bar + valueOf(parseFraction(p.at)) / 1e3;
  const [from, to] = order(a) <= order(b) ? [a, b] : [b, a];
  const rows = [view.rowOf.get(a.instrument), view.rowOf.get(b.instrument)].sort((x, y) => x - y);
  view.choose(placesOf(view, [from.bar, to.bar], (place2) => {
    const row = view.rowOf.get(place2.instrument);
    return row >= rows[0] && row <= rows[1] && order(place2) >= order(from) && order(place2) <= order(to);
  }));
  view.sayChosen();
}

// js/place.js
var FRAMES = ".jp-WindowedPanel-outer, .jp-Notebook, #notebook-container, #site";
var BROUGHT_BACK_MS = 12e4;
function frameOf(el) {
  for (let e = el.parentElement; e; e = e.parentElement) {
    if (e.matches(FRAMES) && e.scrollHeight >= e.clientHeight && /auto|scroll/.test(getComputedStyle(e).overflowY)) return e;
  }
  return null;
}
function sight(frame) {
  if (!frame) return { top: 0, bottom: window.innerHeight };
  const box = frame.getBoundingClientRect();
  return { top: Math.max(box.top, 0), bottom: Math.min(box.bottom, window.innerHeight) };
}
function roomForSheet(view) {
  const { top, bottom } = sight(frameOf(view.el));
  return bottom - top - (view.el.offsetHeight - view.scroller.offsetHeight) - 12;
}
function bringIntoSight(el, top, bottom) {
  const frame = frameOf(el);
  const seen = sight(frame);
  const by = top < seen.top + 4 ? top - seen.top - 4 : bottom > seen.bottom - 4 ? Math.min(bottom - seen.bottom + 4, top - seen.top - 4) : 0;
  if (by) (frame || window).scrollBy(0, by);
}
var kept = false;
function keepInView(view) {
  if (kept) return () => {
  };
  kept = true;
  const { el } = view;
  let frame = null;
  let asked = 0;
  const bring = () => {
    cancelAnimationFrame(asked);
    asked = requestAnimationFrame(() => {
      if (!el.isConnected || !el.offsetHeight) return;
      const box = el.getBoundingClientRect();
      bringIntoSight(el, box.top, box.bottom);
    });
  };
  const size = new ResizeObserver(() => {
    if (!frame && el.isConnected) {
      frame = frameOf(el);
      (frame || window).addEventListener("scroll", bring, { passive: true });
    }
    bring();
  });
  size.observe(el);
  const gestures = ["pointerdown", "wheel", "keydown", "touchstart"];
  const end = () => {
    size.disconnect();
    cancelAnimationFrame(asked);
    clearTimeout(timer);
    (frame || window).removeEventListener("scroll", bring);
    gestures.forEach((g) => document.removeEventListener(g, end, true));
    kept = false;
  };
  const timer = setTimeout(end, BROUGHT_BACK_MS);
  gestures.forEach((g) => document.addEventListener(g, end, { capture: true, passive: true }));
  return end;
}

// js/view.js
var ZOOMS = [1, 2, 4, 8, 16, 32, 0];
var USUAL_ROWS = ["crash", "ride", "open hi-hat", "closed hi-hat", "high tom", "mid tom", "snare", "floor tom", "kick"];
var OVERVIEW_HEIGHT = 34;
var MOST_ANSWERS = 3;
var HITS_FETCHED_AFTER_MS = 1500;
var IDLE_WITHIN_MS = 200;
var LEAST_HEIGHT = 240;
var ROW_MARGIN = 20;
var View = class {
  constructor(model, session, listener, sound, el) {
    Object.assign(this, { model, session, listener, sound, el });
    this.cursor = { bar: 0, at: "0", instrument: "snare" };
    this.selection = null;
    this.anchor = null;
    this.chosen = /* @__PURE__ */ new Map();
    this.hoverRow = -1;
    this.looked = /* @__PURE__ */ new WeakSet();
    this.lookedAt = 0;
    this.focused = false;
    this.everUsed = /* @__PURE__ */ new Set();
    this.answers = [];
    this.questions = 0;
    this.atFault = "";
    this.aside = "";
    this.drums = null;
    this.pictures = new LinePictures(drawLine);
    this.drop = [];
    this.build();
    this.drop.push(session.listen((what) => this.onSession(what)), attachMouse(this), attachKeys(this), keepInView(this));
    const onTrait = (names, act) => names.forEach((n) => {
      model.on(`change:${n}`, act);
      this.drop.push(() => model.off(`change:${n}`, act));
    });
    onTrait(["height"], () => this.fit());
    onTrait(["bars_per_line", "show_waveform", "show_spectrogram", "all_rows", "doubt_below"], () => this.relayout());
    onTrait(["show_keys"], () => this.showKeys());
    const resize = new ResizeObserver(() => this.fit());
    resize.observe(this.scroller);
    resize.observe(this.el);
    const onWindow = () => this.fit();
    window.addEventListener("resize", onWindow);
    this.drop.push(() => window.removeEventListener("resize", onWindow));
    const look = () => {
      this.renewPalette();
      this.draw();
    };
    const theme = new MutationObserver(() => [0, 150, 600].forEach((ms) => setTimeout(look, ms)));
    theme.observe(document.body, { attributes: true, attributeFilter: ["class", "data-jp-theme-light", "data-jp-theme-name"] });
    const contrast = window.matchMedia("(forced-colors: active)");
    const onContrast = () => this.renewPalette();
    contrast.addEventListener("change", onContrast);
    this.drop.push(() => contrast.removeEventListener("change", onContrast));
    this.drop.push(() => resize.disconnect(), () => theme.disconnect());
    this.showKeys();
    this.onSession("chart");
  }
  get chart() {
    return this.session.chart;
  }
  get time() {
    return this.session.time;
  }
  get doubtBelow() {
    return this.model.get("doubt_below");
  }
  // -- elements -----------------------------------------------------------------
  build() {
    const { el } = this;
    el.classList.add("wbg");
    el.dataset.jpSuppressContextMenu = "true";
    el.hitGrid = this;
    this.title = make("div", "wbg-title");
    this.state = make("div", "wbg-state", { role: "status", "aria-live": "polite" });
    const head = make("div", "wbg-top");
    head.append(this.title, this.state);
    this.overview = make("canvas", "wbg-overview", { role: "img", "aria-label": "Overview of the whole song" });
    this.error = make("div", "wbg-error", { role: "alert" });
    const goOn = button2(this, "Go on here", "reload", "with what another notebook or program did to the chart");
    this.error.append(make("span", ""), " ", goOn);
    this.scroller = make("div", "wbg-sheet", { tabindex: "0", role: "grid", "aria-label": "Hits" });
    this.canvas = make("canvas", "wbg-canvas", { "aria-hidden": "true" });
    this.spacer = make("div", "wbg-spacer", { "aria-hidden": "true" });
    this.playhead = make("div", "wbg-playhead", { "aria-hidden": "true" });
    this.scroller.append(this.canvas, this.spacer, this.playhead);
    this.table = new BarTable(this.scroller);
    this.here = make("div", "wbg-here", { role: "status", "aria-live": "polite" });
    this.keys = make("div", "wbg-keys");
    this.askBox = make("div", "wbg-ask");
    this.offers = make("div", "wbg-offers", { role: "group", "aria-label": "Corrections for other bars" });
    this.offers.hidden = true;
    this.files = make("div", "wbg-files", { role: "status" });
    this.files.hidden = true;
    this.hint = hearingHint(this);
    this.toolbar = new Toolbar(this);
    this.bars = new BarLines(this);
    this.toolbar.element.append(head);
    const said = make("div", "wbg-said");
    said.append(this.error, this.here, this.offers);
    el.replaceChildren(
      this.toolbar.element,
      this.toolbar.panel,
      this.hint,
      this.askBox,
      this.bars.element,
      this.overview,
      said,
      this.files,
      this.scroller,
      this.keys
    );
    fillKeyList(this.keys, () => this.toggleKeys());
    this.scroller.addEventListener("scroll", () => this.draw(), { passive: true });
    this.scroller.addEventListener("focus", () => this.setFocus(true));
    this.scroller.addEventListener("blur", () => this.setFocus(false));
  }
  showKeys() {
    this.keys.hidden = !this.model.get("show_keys");
    if (!this.keys.hidden) this.keys.querySelector("button").focus();
    else if (this.keys.contains(document.activeElement)) this.takeKeys();
  }
  /** Bring the keys to the sheet. */
  takeKeys() {
    this.scroller.focus({ preventScroll: true });
  }
  /** The sheet as high as the window has room for, then everything laid out anew. */
  fit() {
    const seen = this.sheet && this.rowIsSeen();
    const height = `${Math.max(Math.min(this.model.get("height"), roomForSheet(this)), LEAST_HEIGHT)}px`;
    if (this.el.isConnected && this.scroller.style.height !== height) this.scroller.style.height = height;
    this.measure();
    this.renewPalette();
    this.relayout();
    if (seen && !this.rowIsSeen()) this.scrollToCursor();
  }
  /** Sizes of the sheet and the grid, read only when they may have changed: reading them has the page laid out. */
  measure() {
    const { clientWidth: width, clientHeight: height } = this.scroller;
    this.size = { width, height, wide: this.el.clientWidth };
  }
  renewPalette() {
    const style = getComputedStyle(this.el);
    const stamp = style.color + style.getPropertyValue("--wbg-paper");
    if (stamp === this.themeStamp) return;
    this.themeStamp = stamp;
    this.palette = readPalette(this.el);
    this.draw();
  }
  toggleKeys() {
    this.set("show_keys", !this.model.get("show_keys"));
  }
  /** Set traits and tell Python, if it is there. */
  set(trait, value2) {
    this.model.set(trait, value2);
    try {
      this.model.save_changes();
    } catch {
      this.session.lost = true;
    }
  }
  // -- what is shown ----------------------------------------------------------------
  onSession(what) {
    if (what === "sound") this.draw();
    if (!this.chart) {
      this.state.textContent = "Waiting for the kernel …";
      return;
    }
    if (what === "chart") {
      const relaid = this.followTheRecording();
      if (this.words && this.session.seq !== this.wordsFor) this.words = "";
      if (this.aside && this.session.seq !== this.asideFor) this.aside = "";
      this.keepCursorInside();
      this.relayout();
      if (relaid) this.scrollToBar(this.cursor.bar);
      this.listener.renewChart();
    }
    this.showOffers();
    this.showState();
  }
  /** Where other bars lie over the recording now, cursor and chosen hits stay with what is heard there. @returns {boolean} whether so */
  followTheRecording() {
    const before = this.laid;
    this.laid = { chart: this.chart, time: this.time };
    if (!before || before.time === this.time) return false;
    if (JSON.stringify(before.chart.time_map) === JSON.stringify(this.chart.time_map)) return false;
    this.answers = [];
    if (!this.chart.recording) return false;
    const follow2 = (place2) => samePlaceHeard(place2, before, this.laid);
    this.cursor = follow2(this.cursor);
    this.chosen = new Map([...this.chosen.values()].map(follow2).map((place2) => [placeKey(place2), place2]));
    this.tellPython();
    return true;
  }
  keepCursorInside() {
    const { cursor, chart } = this;
    const bar = Math.min(cursor.bar, chart.bars.length - 1);
    if (bar !== cursor.bar || valueOf(parseFraction(cursor.at)) >= barLength(chart, bar)) {
      this.cursor = { ...cursor, bar, at: "0" };
    }
    if (this.selection && this.selection[1] >= chart.bars.length) this.selection = null;
    if (this.chosen.size) {
      this.chosen = new Map([...this.chosen].filter(([, p]) => noteAt(chart, p.bar, p.at, p.instrument) || possibleAt(chart, this.time, p)));
    }
  }
  columns(bar) {
    return columnsOf(this.chart.time_map.bars[bar], this.chart.bars[bar].subdivisions);
  }
  relayout() {
    if (!this.chart) return;
    const { chart, model } = this;
    this.countHits();
    const all = model.get("all_rows");
    this.rows = Object.keys(this.session.info.kit).filter(
      (name) => all || this.everUsed.has(name) || USUAL_ROWS.includes(name)
    );
    this.rowOf = new Map(this.rows.map((name, k) => [name, k]));
    if (!this.rowOf.has(this.cursor.instrument)) this.cursor.instrument = this.rows[this.rows.length - 1];
    const bars2 = chart.bars.length;
    if (!this.size?.width) this.measure();
    const { width, height } = this.size;
    const perLine = Math.min(this.barsPerLine(width) || bars2, bars2);
    const played = this.rows.map((name) => all || this.everUsed.has(name));
    const { has_recording } = this.session.info;
    const shown2 = {
      wave: model.get("show_waveform") && has_recording,
      spectrum: model.get("show_spectrogram") && has_recording
    };
    const heights = rowHeights(played, height, shown2, chart.marks.length > 0);
    const key = [chart.time_map, chart.sections, chart.marks.length > 0, width, height, perLine, heights.join(), shown2.wave, shown2.spectrum];
    if (!this.sheet || key.some((x, k) => x !== this.sheetKey[k])) {
      this.sheetKey = key;
      const before = this.sheet?.lineHeight;
      this.sheet = layoutSheet(chart, width, perLine, heights, shown2);
      this.spacer.style.height = `${Math.max(this.sheet.height - height, 0)}px`;
      if (before) this.scroller.scrollTop *= this.sheet.lineHeight / before;
    }
    this.showCursor();
    this.draw();
  }
  /** Bars in a line as they are wanted in a width; 0: all. */
  barsPerLine(width = this.size.width) {
    const wanted = this.model.get("bars_per_line");
    return wanted < 0 ? readableBars(this.chart, width) : wanted;
  }
  /** Doubtful hits and instruments of each bar; only bars that have changed are counted anew. */
  countHits() {
    const below = this.doubtBelow;
    const { bars: bars2 } = this.chart;
    for (const name of this.session.info.used || []) this.everUsed.add(name);
    for (const h of this.chart.possible_hits || []) this.everUsed.add(h.instrument);
    const known3 = this.counted?.below === below && this.counted.bars.length === bars2.length ? this.counted.bars : [];
    this.counted = { below, bars: bars2 };
    if (!known3.length) this.doubts = /* @__PURE__ */ new Map();
    bars2.forEach((written2, bar) => {
      if (written2 === known3[bar]) return;
      for (const n of written2.notes) this.everUsed.add(n.instrument);
      const doubt = written2.notes.filter((n) => isDoubtful(n, below)).length;
      if (doubt) this.doubts.set(bar, doubt);
      else this.doubts.delete(bar);
    });
  }
  /** What is at the cursor, for eyes and for screen readers; told with the next picture. */
  showCursor() {
    this.cursorChanged = true;
    this.draw();
  }
  draw() {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.paint();
    });
  }
  paint() {
    if (!this.sheet || !this.size.width) return;
    if (this.cursorChanged) {
      this.cursorChanged = false;
      this.showHere();
      this.whenIdle("table", () => this.table.update(this.chart, this.rows, this.columns(this.cursor.bar), this.cursor));
    }
    if (this.drums) this.whenIdle("drums", () => this.drums?.update());
    if (!this.palette) this.renewPalette();
    const ratio = window.devicePixelRatio || 1;
    const { scrollTop: top, clientHeight: shown2 } = this.scroller;
    if (!shown2 && this.painted) return;
    const { width, height, wide } = this.size;
    const { chart, sheet, time, cursor, selection, heardBar, doubtBelow, palette } = this;
    const state = {
      ratio,
      sheet,
      chart,
      time,
      rows: this.rows,
      rowOf: this.rowOf,
      kit: this.session.info.kit,
      palette,
      cursor,
      selection,
      heardBar,
      doubtBelow,
      doubts: this.doubts,
      sound: this.sound,
      drag: this.drag,
      alike: this.alikeHere(),
      faults: faultsOf(this.session),
      possible: possibleByBar(chart, time),
      looked: this.looked,
      chosen: this.chosen,
      hoverRow: this.hoverRow,
      focused: this.focused,
      pictures: this.pictures,
      columns: (bar) => this.columns(bar)
    };
    drawSheet(sized(this.canvas, width, height, ratio), state, top, width, height, ratio);
    const lineAt = (y) => sheet.lines[Math.min(Math.floor(y / sheet.lineHeight), sheet.lines.length - 1)];
    const inView = [lineAt(top).first, lineAt(top + height - 1).last];
    const overview = [
      chart.bars,
      chart.time_map,
      chart.sections,
      chart.marks,
      chart.possible_hits,
      doubtBelow,
      palette,
      wide,
      ratio,
      heardBar,
      selection?.join(),
      `${cursor.bar} ${cursor.at}`,
      inView.join(),
      this.lookedAt
    ];
    if (overview.some((x, k) => x !== this.overviewShown?.[k])) {
      this.overviewShown = overview;
      drawOverview(sized(this.overview, wide, OVERVIEW_HEIGHT, ratio), state, wide, OVERVIEW_HEIGHT, ratio, inView);
    }
    if (!this.painted) this.onFirstPaint();
    this.painted = (this.painted || 0) + 1;
    this.el.dataset.painted = String(this.painted);
    this.el.dataset.pending = String(this.session.pending.length);
    this.el.dataset.revision = String(this.session.revision);
  }
  /** Do what nobody waits for once no edit waits for its answer and the page is idle; of one kind only what was asked for last. */
  whenIdle(kind, act) {
    this.idle ??= /* @__PURE__ */ new Map();
    const asked = this.idle.has(kind);
    this.idle.set(kind, act);
    if (asked) return;
    const due = performance.now() + IDLE_WITHIN_MS;
    const soon = window.requestIdleCallback ?? ((run2) => setTimeout(run2, IDLE_WITHIN_MS / 4));
    const run = () => {
      if (this.session.pending.length && performance.now() < due) return soon(run, { timeout: IDLE_WITHIN_MS });
      const last = this.idle.get(kind);
      this.idle.delete(kind);
      if (this.el.isConnected) last();
    };
    soon(run, { timeout: IDLE_WITHIN_MS });
  }
  /** A bar was looked at or heard. */
  look(bar) {
    const timed = this.chart.time_map.bars[bar];
    if (this.looked.has(timed)) return;
    this.looked.add(timed);
    this.lookedAt += 1;
  }
  /** Python begins what takes the processor only now; a little later the sounds of hits are fetched. */
  onFirstPaint() {
    this.session.send({ type: "seen" });
    const warmUp = setTimeout(() => this.listener.warmUp(this.session.info.used), HITS_FETCHED_AFTER_MS);
    this.drop.push(() => clearTimeout(warmUp));
  }
  showState() {
    const { session } = this;
    const { chart } = session;
    write(this.title, [chart.title || "Untitled chart", chart.artist].filter(Boolean).join(" · "));
    const waiting = session.pending.length;
    const doubts = this.doubts ? [...this.doubts.values()].reduce((a, b) => a + b, 0) : 0;
    const possible = [...possibleByBar(chart, this.time).values()].reduce((n, hits2) => n + hits2.length, 0);
    const questions = this.questions;
    this.whenIdle("questions", () => {
      const count3 = questionsOf(this.chart, this.time, this.doubtBelow).length;
      if (count3 === this.questions) return;
      this.questions = count3;
      this.showState();
    });
    const words2 = [doubts + possible ? `${doubtWords(doubts, possible, true)}${questions && questions < doubts + possible ? `, ${questions} question${questions > 1 ? "s" : ""}` : ""}: press n` : "nothing in doubt"];
    const disagreeing = faultWords(session);
    if (disagreeing) words2.unshift(disagreeing);
    const done = chart.bars.filter((b) => b.done).length;
    if (done) words2.push(done < chart.bars.length ? `${done} of ${chart.bars.length} bars done` : "chart done");
    if (session.lost) words2.push(`kernel gone: ${waiting ? `${waiting} edit${waiting > 1 ? "s" : ""} not kept; ` : ""}run the cells again to go on`);
    else if (waiting) words2.push(`${waiting} edit${waiting > 1 ? "s" : ""} waiting for the kernel`);
    else words2.push("all edits saved");
    if (this.listener.state === "loading") words2.push("fetching sound …");
    this.tellState(words2);
    this.bars.update();
    write(this.error.firstChild, session.error);
    this.error.lastChild.hidden = !this.model.get("changed_elsewhere");
    this.error.title = session.error;
    this.error.hidden = !session.error;
    if (session.error) this.words = "";
    if (session.notice) {
      this.say(session.notice);
      session.notice = "";
    }
  }
  /** Statements at the top; where they need two lines they break between them. */
  tellState(words2) {
    if (this.state.textContent === words2.join(" · ")) return;
    this.state.replaceChildren(...words2.flatMap((said, k) => {
      const e = make("span", "wbg-stated");
      e.textContent = said;
      return k ? [" · ", e] : [e];
    }));
  }
  /** The line over the sheet: what is at the cursor. */
  showHere() {
    if (this.words) {
      write(this.here, this.words);
      return;
    }
    const { chart, cursor } = this;
    const note = noteAt(chart, cursor.bar, cursor.at, cursor.instrument);
    const timed = chart.time_map.bars[cursor.bar];
    const words2 = [`${barName(chart, cursor.bar)}${chart.bars[cursor.bar].done ? " (done)" : ""}`];
    const possible = possibleAt(chart, this.time, cursor);
    words2.push(note ? describeNote(chart, cursor.bar, note) : possible ? describePossible(chart, possible) : `${cursor.instrument} on ${thePlace(timed, parseFraction(cursor.at))}: empty`);
    if (this.aside) words2.push(this.aside);
    const asked = this.askedHere(note ? isDoubtful(note, this.doubtBelow) : Boolean(possible));
    words2.push(...asked);
    if (!asked.length && !this.offersNow.some(([bar]) => bar === cursor.bar)) {
      const others = repeatsOf(chart, cursor.bar).filter((b) => b !== cursor.bar);
      if (others.length) words2.push(`the whole bar is written like ${barList(chart, others)}`);
    }
    const mark = markMeant(chart, cursor);
    const said = mark && describeMark(chart, cursor.bar, { ...mark, text: "" });
    if (said) words2.push(said + (mark.confirmed ? "" : " (k keeps it, u takes it away)"));
    write(this.here, words2.join(" — "));
  }
  /** What else is asked at the cursor, and where the same is; `isAsked`: the cursor's own hit is in doubt or possible. */
  askedHere(isAsked) {
    const { chart, time, doubtBelow, cursor } = this;
    const words2 = [];
    const beside = besideIn(chart, time, doubtBelow, cursor);
    const rivals = beside.filter((name) => isAsked && areRivals(name, cursor.instrument));
    const others = beside.filter((name) => !rivals.includes(name));
    if (rivals.length) words2.push(`this or the ${rivals.join(" or the ")} (k takes one)`);
    if (others.length) words2.push(`${isAsked ? "also " : ""}in doubt here: ${others.join(", ")}`);
    const alike = this.alikeHere().map(({ bar }) => bar);
    if (alike.length) words2.push(`asked once for ${barList(chart, [cursor.bar, ...alike])} (J: the others; k or x, then e: all)`);
    if (!isAsked) return words2;
    const elsewhere = rivalsOf(chart, time, doubtBelow, cursor, !noteAt(chart, cursor.bar, cursor.at, cursor.instrument));
    for (const name of new Set(elsewhere.map((p) => p.instrument))) {
      words2.push(`the ${name} is asked there in ${barList(chart, elsewhere.filter((p) => p.instrument === name).map(({ bar }) => bar))}`);
    }
    return words2;
  }
  /** Where the question at the cursor is asked too. */
  alikeHere() {
    const { chart, time, doubtBelow, cursor } = this;
    const note = noteAt(chart, cursor.bar, cursor.at, cursor.instrument);
    const isAsked = note ? isDoubtful(note, doubtBelow) : possibleAt(chart, time, cursor);
    return isAsked ? alikeTo(chart, time, doubtBelow, cursor) : [];
  }
  /** Say something there, until the cursor moves or something else is done. */
  say(text) {
    this.words = text;
    this.wordsFor = this.session.seq;
    write(this.here, text);
    if (!this.session.error) return;
    this.session.error = "";
    this.session.changed("error");
  }
  /** Say something beside what is at the cursor. */
  tellAside(text) {
    this.aside = text;
    this.asideFor = this.session.seq;
    this.showCursor();
  }
  /** Bars just corrected, each with the bars that are as it was before, and what was done. @returns {[number, number[], string][]} */
  get offersNow() {
    return this.session.info.corrections || [];
  }
  /** The bar whose correction `e` would make elsewhere: the cursor's, else the one corrected last. */
  offered() {
    const offers = this.offersNow.map(([bar]) => bar);
    return offers.includes(this.cursor.bar) ? this.cursor.bar : offers.at(-1);
  }
  /** Questions answered lately that are open in other bars, the last answer first. */
  get alikeNow() {
    return this.answers.filter((answer) => stands(this.chart, answer)).reverse().flatMap((answer) => openIn(this.chart, this.time, this.doubtBelow, answer).map((open2) => ({ ...open2, answer })));
  }
  /** Answer doubts as one like them was answered. */
  answerAlike({ answer, instrument, to, doubts }) {
    answer.seq = this.session.edit(alikeEdit(doubts, to));
    this.say(`${doubts.length} hit${doubts.length > 1 ? "s" : ""} ${wordsOf(to)[1]}: ${instrument} in ${barList(this.chart, doubts.map(({ bar }) => bar))}.`);
  }
  /** Whether the answer to a doubt is offered first: it was the last edit, or the cursor's bar was not corrected. */
  comesFirst(alike) {
    return Boolean(alike) && (alike.answer.seq === this.session.seq || this.offered() !== this.cursor.bar);
  }
  /** What `e` does: the last answer to a doubt elsewhere, the correction of the cursor's bar elsewhere, or the last correction. */
  repeatElsewhere() {
    const from = this.offered();
    const [alike] = this.alikeNow;
    if (this.comesFirst(alike)) return () => this.answerAlike(alike);
    return from === void 0 ? null : () => this.session.do({ command: "correct repeats", bar_index: from });
  }
  /** What could be done in other bars too; it stays until it is done, let be, or no longer true. */
  showOffers() {
    const first = this.offered();
    const alike = this.alikeNow;
    const key = JSON.stringify([this.offersNow, first, alike, this.cursor.bar]);
    if (key === this.offersShown) return;
    this.offersShown = key;
    const alikeFirst = this.comesFirst(alike[0]);
    const corrected = sameOffers(this.offersNow, first).map(([from, ...same]) => {
      const [bar, others2, words2] = from;
      return offer(
        this,
        `${barName(this.chart, bar)}: ${words2}. The same in ${barList(this.chart, others2)}${bar === first && !alikeFirst ? " (e)" : ""}`,
        () => this.session.do({ command: "correct repeats", bar_index: bar }),
        () => [from, ...same].forEach(([k]) => this.session.do({ command: "let be", bar_index: k }))
      );
    });
    const answered = alike.map((a, k) => offer(
      this,
      `${capital(wordsOf(a.to)[0])} ${a.instrument} on ${thePlace(this.chart.time_map.bars[a.doubts[0].bar], parseFraction(a.at))} in ${barList(this.chart, a.doubts.map(({ bar }) => bar))} too${alikeFirst && k === 0 ? " (e)" : ""}`,
      () => this.answerAlike(a),
      () => {
        if (a.instrument === a.answer.instrument) this.answers = this.answers.filter((x) => x !== a.answer);
        else a.answer.rivals = a.answer.rivals.filter((p) => p.instrument !== a.instrument);
        this.showOffers();
      }
    ));
    const chips = alikeFirst ? [...answered, ...corrected.reverse()] : [...corrected.reverse(), ...answered];
    this.offers.hidden = !chips.length;
    this.offers.replaceChildren(...chips.slice(0, 1));
    if (chips.length < 2) return;
    const others = make("div", "wbg-more");
    others.append(...chips.slice(1));
    others.hidden = true;
    const more = make("button", "", { type: "button", "aria-expanded": "false" });
    more.textContent = `${chips.length - 1} more`;
    more.addEventListener("click", () => {
      others.hidden = !others.hidden;
      more.setAttribute("aria-expanded", String(!others.hidden));
      this.takeKeys();
    });
    this.offers.append(more, others);
  }
  // -- cursor and selection -------------------------------------------------------------
  moveCursor(cursor, clearSelection = true) {
    this.cursor = cursor;
    this.atFault = "";
    this.aside = "";
    if (clearSelection) {
      this.selection = null;
      this.anchor = null;
      this.chosen = /* @__PURE__ */ new Map();
    }
    this.words = "";
    if (this.answers.length || this.offersNow.length) this.showOffers();
    this.showCursor();
    this.reveal();
    this.tellPython();
    this.draw();
  }
  select(selection) {
    this.selection = selection;
    if (!selection) this.anchor = null;
    this.tellPython();
    this.draw();
  }
  /** Choose hits, beside those that are chosen or in place of them. @param {Map<string, any>} places */
  choose(places, more = false) {
    this.chosen = more ? new Map([...this.chosen, ...places]) : places;
    this.draw();
  }
  sayChosen() {
    const n = this.chosen.size;
    const possible = n - hitsAt(this.chart, this.chosen.values()).length;
    this.say(n ? `${n} hit${n > 1 ? "s" : ""} chosen${possible ? `, ${possible} of them possible (k writes, x refuses them)` : ""}: keys and the menu (right click) act on all of them; Esc lets go.` : "No hits there.");
  }
  /** The row under the pointer, or −1: the name of a folded one is shown. */
  hover(under) {
    const row = this.sheet?.rowHeights[under] === SIZES.folded ? under : -1;
    if (row === this.hoverRow) return;
    this.hoverRow = row;
    this.draw();
  }
  openMenuHere() {
    const box = this.scroller.getBoundingClientRect();
    const { bar, at, instrument } = this.cursor;
    const y = lineOf(this.sheet, bar).y + rowBase(this.sheet, this.rowOf.get(instrument)) - this.scroller.scrollTop;
    openMenu(this, box.left + xOf(this.sheet, bar, valueOf(parseFraction(at))), box.top + y, this.selection !== null);
  }
  /** Python's controls act on the cursor's bar or the selection; told once things stand still. */
  tellPython() {
    clearTimeout(this.telling);
    this.telling = setTimeout(() => {
      this.look(this.cursor.bar);
      this.model.set("bar_index", this.cursor.bar);
      this.set("selected_bars", this.selection || []);
    }, 120);
  }
  scrollToBar(bar) {
    const line3 = lineOf(this.sheet, bar);
    const { scrollTop: top, clientHeight: height } = this.scroller;
    if (line3.y < top) this.scroller.scrollTop = line3.y;
    else if (line3.y + this.sheet.lineHeight > top + height) {
      this.scroller.scrollTop = Math.min(line3.y, line3.y + this.sheet.lineHeight - height);
    }
  }
  /** Where on the sheet the cursor's row is. */
  rowOfCursor() {
    return rowBase(this.sheet, this.rowOf.get(this.cursor.instrument) ?? 0) + lineOf(this.sheet, this.cursor.bar).y;
  }
  /** Whether the sheet is scrolled to where the cursor's row is. */
  rowIsSeen() {
    const y = this.rowOfCursor() - this.scroller.scrollTop;
    return y >= ROW_MARGIN && y + ROW_MARGIN <= this.size.height;
  }
  /** Scroll the sheet to the cursor. */
  scrollToCursor() {
    this.scrollToBar(this.cursor.bar);
    if (!this.rowIsSeen()) this.scroller.scrollTop = Math.max(this.rowOfCursor() - this.size.height / 2, 0);
  }
  /** Scroll sheet and page so that the cursor is seen. */
  reveal() {
    if (!this.sheet) return;
    this.scrollToCursor();
    const y = this.scroller.getBoundingClientRect().top + this.rowOfCursor() - this.scroller.scrollTop;
    bringIntoSight(this.el, y - 30, y + 30);
  }
  zoom(direction) {
    const now2 = ZOOMS.indexOf(this.barsPerLine());
    const next = ZOOMS[Math.min(Math.max(now2 + direction, 0), ZOOMS.length - 1)];
    this.set("bars_per_line", next);
    this.relayout();
    this.scrollToBar(this.cursor.bar);
  }
  setFocus(focused) {
    this.focused = focused;
    this.draw();
  }
  /** Escape: what is open closes, then what is chosen is let go, then the notebook has the keys. */
  leave() {
    if (this.model.get("show_keys")) this.toggleKeys();
    else if (this.toolbar.opened) {
      this.toolbar.open("");
      this.takeKeys();
    } else if (this.chosen.size) this.choose(/* @__PURE__ */ new Map());
    else if (this.selection) this.select(null);
    else {
      giveKeysBack(this);
      this.say("The notebook has the keys; click the grid to have them back.");
    }
  }
  run(command, key = "", event = void 0) {
    this.keyTime = event?.timeStamp;
    if (!this.session.whole) return this.say("The song is still being opened: once more, please.");
    COMMANDS[command](this, key);
  }
  edit(edit) {
    const answer = edit && answerIn(this.chart, this.time, this.doubtBelow, edit);
    if (answer) {
      const others = this.answers.filter((a) => a.at !== answer.at || a.instrument !== answer.instrument);
      this.answers = [...others, { ...answer, seq: this.session.seq + 1 }].slice(-MOST_ANSWERS);
    }
    const seq = this.session.edit(edit);
    if (this.model.get("sound_hits")) {
      const struck = {
        "add note": [edit?.note?.instrument, edit?.note?.velocity],
        "move note": [edit?.to_instrument, 90],
        "change note": [edit?.instrument, edit?.velocity]
      }[edit?.edit];
      if (struck?.[1]) this.listener.strike(...struck);
    }
    return seq;
  }
  /** Let the recording be heard under the pointer. */
  scrub(line3, x) {
    const { bars: bars2, end_s } = this.chart.time_map;
    const passage = { start_s: bars2[line3.first].beats_s[0], end_s: bars2[line3.last]?.beats_s[0] ?? end_s };
    this.listener.scrub(passage, timeAtX(line3, this.time, x));
  }
  /** Where exported files lie, with links where the notebook's server can give them. */
  showFiles(files) {
    const parts = files.flatMap((path) => {
      const name = path.split(/[\\/]/).pop();
      const link = make("a", "", { target: "_blank", rel: "noopener", ...hrefOf(path) });
      link.textContent = name;
      return [" ", link];
    });
    const close = make("button", "", { type: "button", "aria-label": "Hide" });
    close.textContent = "×";
    close.addEventListener("click", () => {
      this.files.hidden = true;
      this.takeKeys();
    });
    this.files.replaceChildren(`Written to ${files[0].replace(/[\\/][^\\/]*$/, "")}:`, ...parts, " ", close);
    this.files.hidden = false;
    this.say("Score exported.");
    this.fit();
  }
  // -- asking --------------------------------------------------------------------------
  /** Ask for a few words over the sheet; `answer` gets them unless the user changes their mind. */
  ask(question, value2, placeholder, answer) {
    const label = make("label", "");
    label.textContent = question;
    const input = make("input", "", { type: "text", maxlength: "80", placeholder });
    input.value = value2;
    label.append(input);
    const ok = make("button", "", { type: "button" });
    ok.textContent = "OK";
    const close = () => {
      this.askBox.classList.remove("wbg-open");
      this.askBox.replaceChildren();
      this.takeKeys();
    };
    const give = () => {
      close();
      answer(input.value.trim());
    };
    ok.addEventListener("click", give);
    label.addEventListener("keydown", (event) => {
      if (event.key !== "Escape" && event.key !== "Enter") return;
      event.preventDefault();
      if (event.key === "Escape") close();
      else give();
    });
    this.askBox.replaceChildren(label, ok);
    this.askBox.classList.add("wbg-open");
    input.focus({ preventScroll: true });
  }
  // -- listening ------------------------------------------------------------------------
  togglePlaying() {
    if (this.listener.state !== "stopped") this.listener.stop();
    else this.startPlaying();
  }
  startPlaying() {
    const { chart, model } = this;
    const loop = model.get("loop");
    const line3 = lineOf(this.sheet, this.cursor.bar);
    const [first, last] = this.selection || (loop ? [this.cursor.bar, this.cursor.bar] : [this.cursor.bar, chart.bars.length - 1]);
    const end = last + 1 < chart.bars.length ? chart.time_map.bars[last + 1].beats_s[0] : chart.time_map.end_s;
    this.session.error = "";
    this.heardLine = line3;
    this.listener.play({
      start_s: chart.time_map.bars[first].beats_s[0],
      end_s: end,
      first_bar: first,
      last_bar: last,
      loop,
      speed_percent: model.get("speed_percent"),
      count_in_bars: model.get("count_in_bars")
    });
  }
  onListener() {
    const playing = this.listener.state === "playing";
    this.showState();
    this.drums?.update();
    if (this.model.get("playing") !== (this.listener.state !== "stopped")) {
      this.set("playing", this.listener.state !== "stopped");
    }
    if (playing) {
      this.follow();
    } else if (this.listener.state === "stopped") {
      this.playhead.hidden = true;
      this.heardBar = void 0;
      this.set("heard_bar", -1);
      this.finishTaps();
      this.draw();
    }
  }
  /** Each frame: the cursor stands where the sound is. */
  follow() {
    if (this.following) return;
    const step = () => {
      this.following = 0;
      if (this.listener.state !== "playing") return;
      this.following = requestAnimationFrame(step);
      const seconds = this.listener.heardAt();
      if (seconds === null) return;
      const { bar, position } = placeAt(this.time, seconds);
      const line3 = lineOf(this.sheet, bar);
      const x = xOf(this.sheet, bar, position);
      this.playhead.hidden = false;
      this.playhead.style.transform = `translate(${x}px, ${line3.y + this.sheet.waveY - 4}px)`;
      const height = `${this.sheet.rowsBottom - this.sheet.waveY + 4}px`;
      if (this.playhead.style.height !== height) this.playhead.style.height = height;
      if (bar !== this.heardBar) {
        this.heardBar = bar;
        this.look(bar);
        this.set("heard_bar", bar);
        this.scrollToBar(bar);
        this.draw();
      }
    };
    this.following = requestAnimationFrame(step);
  }
  /** A tap on a "1", or on any beat. */
  tap(beats = false) {
    const seconds = this.listener.heardAt(this.keyTime || void 0);
    if (seconds === null) return this.say("Taps count while the recording plays: press Space, then t on every “1”, or T on every beat.");
    if (beats !== this.listener.tapsBeats) this.listener.taps = [];
    this.listener.tapsBeats = beats;
    this.listener.taps.push(seconds);
    const count3 = this.listener.taps.length;
    this.say(`${count3} ${beats ? "beat" : "bar line"}${count3 > 1 ? "s" : ""} tapped; stop (Space) to lay the bars anew.`);
  }
  finishTaps() {
    const taps = this.listener.taps;
    this.listener.taps = [];
    const edit = this.listener.tapsBeats ? "tap beats" : "tap lines";
    if (!taps.length) return;
    this.edit({ edit, times_s: taps.map((t) => Math.round(t * 1e4) / 1e4) });
    this.say(`Bars laid anew from ${taps.length} tap${taps.length > 1 ? "s" : ""}.`);
  }
  destroy() {
    this.drop.forEach((drop) => drop());
    cancelAnimationFrame(this.frame);
    cancelAnimationFrame(this.following);
  }
};
function barLength(chart, bar) {
  const timed = chart.time_map.bars[bar];
  const [beats, unit] = (timed.length || timed.meter).split("/").map(Number);
  return beats / (unit || 1);
}
function hrefOf(path) {
  const config = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
  const root = (config.serverRoot || "").replace(/^~/, "").replace(/\/$/, "");
  const at = root ? path.indexOf(`${root}/`) : -1;
  if (at < 0) return {};
  const inside = path.slice(at + root.length + 1).split("/").map(encodeURIComponent).join("/");
  return { href: `${config.baseUrl || "/"}files/${inside}` };
}
function write(element2, text) {
  if (element2.textContent !== text) element2.textContent = text;
}
function sameOffers(offers, first) {
  const groups = /* @__PURE__ */ new Map();
  for (const each of offers) {
    const [bar, others, words2] = each;
    const key = JSON.stringify([others, words2]);
    const same = groups.get(key) ?? [];
    groups.delete(key);
    groups.set(key, same[0]?.[0] === first ? [...same, each] : [each, ...same]);
  }
  return [...groups.values()];
}
function offer(view, words2, act, letBe) {
  const chip = make("span", "wbg-offer");
  const go2 = make("button", "", { type: "button" });
  go2.textContent = words2;
  const no = make("button", "", { type: "button", "aria-label": "Let these bars be" });
  no.textContent = "×";
  for (const [e, does] of [[go2, act], [no, letBe]]) {
    e.addEventListener("click", () => {
      does();
      view.takeKeys();
    });
  }
  chip.append(go2, no);
  return chip;
}
function sized(canvas, width, height, ratio) {
  const w = Math.round(width * ratio);
  const h = Math.round(height * ratio);
  if (canvas.width !== w || canvas.height !== h) {
    canvas.width = w;
    canvas.height = h;
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
  }
  return canvas.getContext("2d", { alpha: false });
}

// js/grid.js
var HELD_MS = 30;
function hurry(send) {
  let held = false;
  return () => {
    let busyAt = 0;
    return { iopub: { status: ({ content }) => {
      const now2 = performance.now();
      if (content.execution_state === "busy" && !busyAt) {
        busyAt = now2;
        if (held) send({ type: "nudge" });
      } else if (content.execution_state === "idle" && busyAt) held ||= now2 - busyAt > HELD_MS;
    } } };
  };
}
function open(model) {
  const client = Math.random().toString(36).slice(2, 10);
  const send = (message, callbacks) => {
    try {
      model.send(message, callbacks);
    } catch {
      session.lost = true;
    }
  };
  const hurried = hurry(send);
  const session = new Session((message) => {
    send(message, message.type === "do" ? hurried() : void 0);
  }, client);
  const views = /* @__PURE__ */ new Set();
  const sound = new SoundPicture();
  const settings = () => {
    const level = (s) => model.get(`${s}_level`) / 100;
    const heard = Math.max(level("drums"), level("rest"), 0.5);
    const turn = { heard: { chart: 0 }, written: { drums: 0, rest: 0, chart: heard } }[listener.turn] || {};
    return Object.fromEntries(SOURCES.map((s) => [s, { level: turn[s] ?? level(s), pan: model.get(`${s}_pan`) / 100 }]));
  };
  const listener = new Listener(session, () => levelsOf(settings(), listener.playing?.passage), () => [...views].slice(0, 1).forEach((v) => v.onListener()));
  session.ear = (message, buffers) => {
    if (message.type === "audio") listener.receive(message, buffers);
    else if (message.type === "sound picture") {
      sound.receive(message, buffers);
      session.changed("sound");
    } else if (message.type === "files") {
      views.forEach((v) => v.showFiles(message.files));
    } else if (message.type === "command") {
      const view = [...views][0];
      if (view?.chart) view.run(message.command);
    } else if (message.type === "show bar") {
      for (const v of views) {
        const instrument = v.rowOf.has(message.instrument) ? message.instrument : v.cursor.instrument;
        v.moveCursor({ ...v.cursor, bar: message.bar_index, at: message.at, instrument });
      }
    }
  };
  const onMessage = (message, buffers) => session.receive(message, buffers);
  model.on("msg:custom", onMessage);
  const levels = SOURCES.flatMap((s) => [`change:${s}_level`, `change:${s}_pan`]);
  const onLevel = () => listener.applySettings();
  levels.forEach((name) => model.on(name, onLevel));
  const onPlaying = () => {
    const view = [...views][0];
    if (!view?.chart || model.get("playing") === (listener.state !== "stopped")) return;
    if (model.get("playing")) view.startPlaying();
    else listener.stop();
  };
  model.on("change:playing", onPlaying);
  const onPassage = () => {
    if (listener.state !== "stopped") [...views][0]?.startPlaying();
  };
  ["change:speed_percent", "change:loop"].forEach((name) => model.on(name, onPassage));
  const onLost = () => {
    session.lost = true;
    session.changed("state");
  };
  model.on("comm_live_update", onLost);
  session.hello();
  const asking = setInterval(() => {
    if (session.pending.length || !session.chart) session.changed("state");
    session.askAgain();
  }, ASK_AGAIN_MS / 2);
  return {
    session,
    listener,
    sound,
    views,
    close() {
      clearInterval(asking);
      listener.stop();
      listener.context?.close();
      model.off("msg:custom", onMessage);
      model.off("comm_live_update", onLost);
    }
  };
}
var grid_default = () => {
  let room;
  return {
    initialize({ model }) {
      room = open(model);
      return () => room.close();
    },
    render({ model, el }) {
      const { session, listener, sound, views } = room;
      const view = new View(model, session, listener, sound, el);
      views.add(view);
      return () => {
        views.delete(view);
        view.destroy();
      };
    }
  };
};
export {
  grid_default as default
};
