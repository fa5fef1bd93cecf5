/**
 * What the keys and buttons do: each command reads the view's cursor and selection and
 * sends an edit or moves the cursor.
 */
import { BAR_COMMANDS, sayFault, withFaults } from "./bars.js";
import { barName, barsSaid, beatSpans, doubtfulBars, doubtfulHits, noteAt, readMeter, theBar, thePlace, withArticle }
  from "./chart.js";
import { articulateEdit, changeEdit, chosenOf, copyOf, everyBarEdit, fillRowEdit, hitsAt, hitsMeant, hitsOf, moveEdit, pasteHitsEdit, placeBeyond, placeKey, removeEdit,
  repeatHitsEdit, together } from "./chosen.js";
import { doubtedWords, drumsOf } from "./drums.js";
import { copiedBars, pasteEdit, writtenNote } from "./edits.js";
import { compare, multiply, parseFraction, textOf } from "./fractions.js";
import { comparePlaces, describeMark, dropEdit, fillEdit, fillEndEdit, keepEdit, markMeant, marksMeant, proposedMarks,
  saysNoFill, wordsEdit } from "./marks.js";
import { answerEdits, possibleAt } from "./possible.js";
import { stopsOf } from "./questions.js";
import { neighbourBetween, neighbourColumn, samePlace, lineOf } from "./timeline.js";

const VELOCITY_STEP = 8;
const BAR_LINE_STEP_S = 0.005;
const SUBDIVISIONS = [1, 2, 3, 4, 6, 8, 12];

/** @type {Record<string, (view: any, key?: string) => void>} */
export const COMMANDS = {
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
    const bars = doubtfulBars(v.chart, v.doubtBelow);
    const bar = bars.find((b) => b !== v.cursor.bar) ?? bars[0];
    if (bar === undefined) return v.say("No bar is in doubt any more.");
    const { note } = doubtfulHits(v.chart, v.doubtBelow).find((d) => d.bar === bar);
    v.moveCursor({ bar, at: note.at, instrument: note.instrument });
  },
  "keep": (v) => {
    if (answerPossible(v, true)) return v.chosen.size ? undefined : goToDoubt(v, 1, true);
    const hits = hitsMeant(v).filter(({ note }) => !note.confirmed);
    const marks = v.chosen.size ? [] : marksMeant(v.chart, v.cursor, v.selection);
    if (!hits.length && marks.length) return keepMarks(v, marks);
    if (!hits.length) return v.say(hitsMeant(v).length ? "Kept already." : "There is no hit and no mark here to keep.");
    const one = hits.length === 1 && !v.chosen.size && !v.selection;
    v.edit(changeEdit(hits, () => ({ confirmed: true }), "keep"));
    if (one) goToDoubt(v, 1, true);
    else v.say(`${count(hits)} kept.`);
  },
  "reject": (v) => {
    if (answerPossible(v, false)) return v.chosen.size ? undefined : goToDoubt(v, 1, true);
    const one = !v.chosen.size && !v.selection;
    if (!withHits(v, (hits) => v.edit(removeEdit(hits, "remove hits")), "removed")) return;
    if (one) goToDoubt(v, 1, true);
  },
  "keep bars": (v) => {
    const [first, last] = bars(v);
    const done = v.chart.bars.slice(first, last + 1).every((b) => b.done);
    v.edit({ edit: "set done", first_bar: first, last_bar: last, done: !done });
    const left = v.chart.bars.filter((b) => !b.done).length;
    v.say(`${done ? "To be looked at again" : "Done, every hit kept"}: ${inBars(v, [first, last]).slice(3)}. `
      + (left ? `${left} bar${left > 1 ? "s" : ""} left.` : "The chart is done."));
  },
  "next undone bar": (v) => {
    const undone = v.chart.bars.flatMap((b, k) => (b.done ? [] : [k]));
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
  "remove": (v) => withHits(v, (hits) => v.edit(removeEdit(hits, "remove hits")), "removed"),
  "move left": (v) => moveMeant(v, (p) => column(v, p, -1), "moved a column back"),
  "move right": (v) => moveMeant(v, (p) => column(v, p, 1), "moved a column on"),
  "move up": (v) => moveMeant(v, (p) => neighbourRow(v, p, -1), "given to the row above"),
  "move down": (v) => moveMeant(v, (p) => neighbourRow(v, p, 1), "given to the row below"),
  "to drum": (v, name) => moveMeant(v, (p) => ({ ...p, instrument: name }), `given to the ${name}`),
  "louder": (v) => withHits(v, (hits) => v.edit(velocities(hits, (x) => x + VELOCITY_STEP)), "louder"),
  "softer": (v) => withHits(v, (hits) => v.edit(velocities(hits, (x) => x - VELOCITY_STEP)), "softer"),
  "velocity": (v, key) => {
    const velocity = Math.round((Number(key) * 127) / 9);
    withHits(v, (hits) => v.edit(velocities(hits, () => velocity)), `velocity ${velocity}`);
  },
  "right hand": (v) => hand(v, "R"),
  "left hand": (v) => hand(v, "L"),

  ...Object.fromEntries(["ghost", "accent", "flam", "drag", "double", "roll", "choke", "rim shot", "half open", "foot splash"].map(
    (name) => [name, (v) => articulate(v, name)])),
  "open": (v) => {
    const other = { "closed hi-hat": "open hi-hat", "open hi-hat": "closed hi-hat", "pedal hi-hat": "open hi-hat" };
    const hits = hitsMeant(v).filter(({ note }) => other[note.instrument]);
    if (!hits.length) return v.say("Only a hi-hat is open or closed.");
    move(v, hits, (p) => ({ ...p, instrument: other[p.instrument] }), "open or closed");
  },

  "select left": (v) => extendSelection(v, -1),
  "select right": (v) => extendSelection(v, 1),
  "select all": (v) => v.select([0, v.chart.bars.length - 1]),
  "all alike": (v) => withHits(v, (hits) => {
    const alike = new Set(hits.map(({ note }) => `${note.at} ${note.instrument}`));
    v.choose(chosenOf(hitsOf(v.chart, v.selection || [0, v.chart.bars.length - 1], (n) => alike.has(`${n.at} ${n.instrument}`))));
    v.sayChosen();
  }),
  "in every bar": (v) => {
    const hits = v.chosen.size ? hitsAt(v.chart, v.chosen.values()) : hitsAt(v.chart, [v.cursor]);
    const stretch = v.selection || [0, v.chart.bars.length - 1];
    const where = v.selection ? inBars(v, stretch) : "in the whole song";
    if (!hits.length) {
      const { at, instrument } = v.cursor;
      const others = hitsOf(v.chart, stretch, (n) => n.at === at && n.instrument === instrument);
      if (!others.length) return v.say(`No bar has ${withArticle(instrument)} at this place.`);
      v.edit(removeEdit(others, "in no bar"));
      return v.say(`${count(others)} taken out ${where}, as here; Ctrl Z brings back.`);
    }
    const found = everyBarEdit(v.chart, hits, stretch);
    if (!found) return v.say("Every bar has that already.");
    v.edit(found.edit);
    v.say(`${count(found.places)} written ${where}, as here; Ctrl Z takes back.`);
  },
  "fill row": (v) => {
    const { instrument } = v.cursor;
    const found = fillRowEdit(v.chart, instrument, bars(v));
    if (!found) return v.say(`The row of the ${instrument} is full ${inBars(v, bars(v))}.`);
    v.edit(found.edit);
    v.say(`${instrument} on every ${found.parts > 1 ? `1/${found.parts} of a beat` : "beat"} ${inBars(v, bars(v))}: ${count(found.places)} written; again: finer.`);
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
  "coarser": (v) => subdivide(v, -1),
  "finer": (v) => subdivide(v, 1),
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
    v.say({ heard: "You hear the recording alone.", written: "You hear the chart alone." }[listener.turn]
      ?? "You hear the mixture that the sliders say.");
  },
  "tap": (v) => v.tap(),
  "tap beats": (v) => v.tap(true),
  "undo": (v) => v.session.do({ command: "undo" }),
  "redo": (v) => v.session.do({ command: "redo" }),
  "save": (v) => v.session.do({ command: "save" }),
  "export": (v) => v.session.do({ command: "export" }),
  "cue": (v) => askText(v, v.cursor.bar, `Words over ${theBar(v.chart, v.cursor.bar)}: `, "empty: none", {
    mine: (text) => !LAYOUT.test(text) }),
  "tempo words": (v) => askText(v, v.cursor.bar, `Words before the tempo of ${theBar(v.chart, v.cursor.bar)}: `,
    "Slow and heavy (empty: none)", { mine: (text) => TEMPO.test(text), told: (text) => text.replace(TEMPO, ""),
      kept: (words) => words && `tempo: ${words}` }),
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
  },
};

/** First and last bar that a command is meant for: the selection, or the bar of the cursor. */
const bars = (v) => v.selection || [v.cursor.bar, v.cursor.bar];

function go(v, place) {
  if (place) v.moveCursor({ ...v.cursor, ...place });
}

function goToBar(v, bar, clear = true) {
  if (bar < 0 || bar >= v.chart.bars.length) return;
  v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, bar) }, clear);
}

function goByLine(v, direction) {
  const line = lineOf(v.sheet, v.cursor.bar);
  const next = v.sheet.lines[line.index + direction];
  if (next) goToBar(v, Math.min(next.first + v.cursor.bar - line.first, next.last - 1));
}

/** The place in the row above or below, or null. */
function neighbourRow(v, place, direction) {
  const instrument = v.rows[v.rowOf.get(place.instrument) + direction];
  return instrument ? { ...place, instrument } : null;
}

function column(v, place, direction) {
  const to = neighbourColumn(v.chart, place, direction);
  return to && { ...to, instrument: place.instrument };
}

function changeRow(v, direction) {
  go(v, neighbourRow(v, v.cursor, direction));
}

const count = (hits) => `${hits.length} hit${hits.length > 1 ? "s" : ""}`;

/** "in bar 5", "in bars 5 to 8" */
export function inBars(v, [first, last]) {
  return `in ${barsSaid(v.chart, first, last)}`;
}

/** Go to the next place where something is asked; `answered`: what was asked at the cursor is settled. */
function goToDoubt(v, direction, answered = false) {
  const stops = withFaults(v, stopsOf(v.chart, v.time, v.doubtBelow, v.rowOf));
  if (!stops.length) return answered ? undefined : v.say("Nothing is in doubt any more.");
  const { cursor } = v;
  const from = (s) => s.bar - cursor.bar || compare(parseFraction(s.at), parseFraction(cursor.at));
  const here = stops.find((s) => !s.fault && from(s) === 0);
  const others = here?.asked.filter((p) => p.instrument !== cursor.instrument) ?? [];
  // What else is asked at this place comes first.
  if (answered && others.length) return v.moveCursor(others[0]);
  // A place is one stop, however much is asked there; a fault comes before it; a cursor beside its rows has yet to come to them.
  const isOnStop = !here || answered || others.length < here.asked.length;
  const rank = v.atFault === placeKey(cursor) ? -1 : isOnStop ? 0 : -direction / 2;
  const order = (s) => from(s) || (s.fault ? -1 : 0) - rank;
  const found = direction > 0 ? stops.find((s) => order(s) > 0) ?? stops[0]
    : stops.filter((s) => order(s) < 0).pop() ?? stops[stops.length - 1];
  v.moveCursor({ bar: found.bar, at: found.at, instrument: found.instrument });
  v.atFault = found.fault ? placeKey(found) : "";
  if (found.fault) sayFault(v, found.fault);
}

/** Say beside what is asked that a whole drum is mostly in doubt, once of each: it is put right sooner as a whole. */
function tellDoubted(v) {
  const whole = { bars: [0, v.chart.bars.length - 1] };
  v.tellAside(doubtedWords(drumsOf(v.chart, v.time, v.doubtBelow, whole, v.session.info.kit), v.session.toldDrums));
}

/** Write or refuse the possible hit at the cursor, or those among what is chosen. @returns {boolean} whether there are any */
function answerPossible(v, yes) {
  const places = v.chosen.size ? [...v.chosen.values()] : v.selection ? [] : [v.cursor];
  const hits = places.flatMap((p) => possibleAt(v.chart, v.time, p) ?? []);
  if (!hits.length) return false;
  v.edit(together(answerEdits(hits, yes), yes ? "write possible hits" : "refuse possible hits"));
  if (v.chosen.size) v.say(`${count(hits)} ${yes ? "written, where they are heard" : "refused"}.`);
  return true;
}

/** Do something with the hits that are meant, and say so where they are several. @returns {boolean} whether there are any */
function withHits(v, act, done = "") {
  const hits = hitsMeant(v);
  if (hits.length) act(hits);
  else v.say(v.selection ? "The selected bars have no hits." : "There is no hit here; Enter writes one.");
  if (hits.length > 1 && done) v.say(`${count(hits)}: ${done}.`);
  return hits.length > 0;
}

const velocities = (hits, changed) => changeEdit(hits, (note) => ({
  velocity: Math.min(Math.max(changed(note.velocity), 1), 127), confirmed: true }), "loudness");

function hand(v, letter) {
  withHits(v, (hits) => {
    const sticking = hits.every(({ note }) => note.sticking === letter) ? "" : letter;
    v.edit(changeEdit(hits, () => ({ sticking, confirmed: true }), "sticking"));
  }, letter === "R" ? "right hand" : "left hand");
}

function articulate(v, name) {
  const there = withHits(v, (hits) => {
    const edit = articulateEdit(hits, name, v.session.info.kit);
    if (edit) v.edit(edit);
    else v.say(`${capital(withArticle(hits[0].note.instrument))} ${name === "half open" ? "cannot be" : "has no"} ${name}.`);
  }, name);
  // Whoever reads "M" may leave Shift out.
  if (!there && name === "rim shot" && !v.selection) v.say("There is no hit here to be a rim shot; Shift M mends bar lines.");
}

/** Move hits; cursor and choice go with them. */
function move(v, hits, to, done) {
  const moved = moveEdit(hits, to, "move hits");
  if (!moved) return v.say("There is no place to move to.");
  const { cursor } = v;
  const mine = hits.findIndex(({ bar, note }) => placeKey({ bar, at: note.at, instrument: note.instrument }) === placeKey(cursor));
  v.edit(moved.edit);
  if (v.chosen.size) v.choose(new Map(moved.places.map((p) => [placeKey(p), p])));
  if (mine >= 0) v.moveCursor(moved.places[mine], false);
  if (hits.length > 1) v.say(`${count(hits)} ${done}.`);
}

function moveMeant(v, to, done) {
  withHits(v, (hits) => move(v, hits, to, done));
}

/** Drag a hit to a place; what is chosen with it goes as far. */
export function moveHits(v, from, to) {
  const hits = v.chosen.has(placeKey(from)) ? hitsMeant(v) : hitsAt(v.chart, [from]);
  if (placeKey(from) === placeKey(to)) return;
  if (hits.length === 1) return move(v, hits, () => to, "moved");
  const rows = v.rowOf.get(to.instrument) - v.rowOf.get(from.instrument);
  const copied = copyOf(v.chart, [...hits, ...hitsAt(v.chart, [from])]);
  const shifted = new Map();
  const offset = copied.hits[copied.hits.length - 1].after;
  hits.forEach(({ bar, note }, k) => shifted.set(placeKey({ bar, at: note.at, instrument: note.instrument }), copied.hits[k].after));
  move(v, hits, (p) => {
    const instrument = v.rows[v.rowOf.get(p.instrument) + rows];
    const there = placeBeyond(v.chart, to, shifted.get(placeKey(p)), offset);
    return instrument && there ? { ...there, instrument } : null;
  }, "moved");
}

function copy(v) {
  if (v.chosen.size) {
    const hits = hitsMeant(v);
    v.session.copied = copyOf(v.chart, hits);
    return v.say(`${count(hits)} copied; Ctrl V writes them from the cursor on.`);
  }
  v.session.copied = copiedBars(v.chart, ...bars(v));
  const n = v.session.copied.length;
  v.say(`${n} bar${n > 1 ? "s" : ""} copied; Ctrl V writes ${n > 1 ? "them" : "it"} at the cursor.`);
}

/** Write copied hits and choose them. */
function writeCopies(v, found, done) {
  if (!found) return v.say("The chart ends here: there is no bar to write into.");
  v.edit(found.edit);
  v.choose(new Map(found.places.map((p) => [placeKey(p), p])));
  v.moveCursor(found.places[0], false);
  v.say(`${count(found.places)} ${done}.`);
}

function extendSelection(v, direction) {
  const anchor = v.anchor ?? v.cursor.bar;
  const bar = v.selection ? v.cursor.bar + direction : v.cursor.bar;
  if (bar < 0 || bar >= v.chart.bars.length) return;
  v.anchor = anchor;
  v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, bar) }, false);
  v.select([Math.min(anchor, bar), Math.max(anchor, bar)]);
}

function subdivide(v, direction) {
  const [first, last] = bars(v);
  const edits = [];
  for (let bar = first; bar <= last; bar++) {
    const timed = v.chart.time_map.bars[bar];
    const before = v.chart.bars[bar].subdivisions?.[0] ?? (readMeter(timed.meter).compound ? 6 : 4);
    const next = direction > 0 ? SUBDIVISIONS.find((s) => s > before) : SUBDIVISIONS.filter((s) => s < before).pop();
    if (next) edits.push({ edit: "set subdivisions", bar_index: bar, subdivisions: beatSpans(timed).map(() => next) });
  }
  if (edits.length === 1) v.edit(edits[0]);
  else if (edits.length) v.edit({ edit: "together", edits, name: "set subdivisions" });
}

const NO_MARK = "Nothing is marked in this bar: F marks a fill from the cursor on.";

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

/** Say what is marked at the cursor now. */
function sayMark(v, then = "") {
  const mark = markMeant(v.chart, v.cursor);
  if (mark) v.say([`${barName(v.chart, v.cursor.bar)}: ${describeMark(v.chart, v.cursor.bar, mark)}.`, then].join(" "));
}

function goToMark(v, direction) {
  const marks = proposedMarks(v.chart);
  if (!marks.length) return v.say("No mark is only proposed.");
  const side = (m) => comparePlaces(m.start, [v.cursor.bar, v.cursor.at]) * direction > 0;
  const ordered = direction > 0 ? marks : marks.reverse();
  const [bar, at] = (ordered.find(side) ?? ordered[0]).start;
  v.moveCursor({ ...v.cursor, bar, at });
}

/** Cues that say how the score is laid out (workbench.notation.roadsigns): repeat signs, and words before a tempo. */
const REPEAT = /^(?:repeat (\d+)(?:, (\d+) times)?|write out (\d+))$/i;
const TEMPO = /^tempo: /i;
const LAYOUT = new RegExp(`${REPEAT.source}|${TEMPO.source}`, "i");

/** A cue of a kind that a bar has, or the place where it has room for one. */
export function cueOf(v, bar, mine) {
  const here = v.chart.texts.filter((t) => t.bar_index === bar);
  return here.find((t) => mine(t.text)) ?? { at: ["0", "1/64", "1/32", "3/64"].find((at) => here.every((t) => t.at !== at)), text: "" };
}

function setCue(v, bar, { at }, text) {
  v.edit({ edit: "set text", bar_index: bar, position: at, text });
}

/** Ask for the words of a cue; `told` and `kept` turn the cue into what is asked for and back. */
function askText(v, bar, question, placeholder, { mine, told = (text) => text, kept = (text) => text }) {
  const now = cueOf(v, bar, mine);
  v.ask(question, told(now.text), placeholder, (text) => (text || now.text) && setCue(v, bar, now, kept(text)));
}

/** What of a bar is seen on paper. */
const written = (v, bar) => v.chart.bars[bar].notes.map((n) => [n.at, n.instrument, n.articulations, n.sticking].join(" ")).join("|");

function askRepeat(v) {
  const [first, last] = bars(v);
  const n = last - first + 1;
  const now = cueOf(v, first, (text) => REPEAT.test(text));
  const [, set, times, out] = now.text.match(REPEAT) || [];
  v.ask(`${capital(inBars(v, [first, last]).slice(3))} with repeat signs. Played how often in all? `, out ? "1" : set ? times || "2" : "2",
    "1: never folded; empty: as the sections say", (text) => {
      const count = Number(text || 0);
      const end = first + n * count;
      if (!text) return now.text && setCue(v, first, now, "");
      if (!Number.isInteger(count) || count < 1 || count > 99) return v.say("A number, please: how often these bars are played.");
      if (end > v.chart.bars.length) return v.say(`The chart ends before these ${n > 1 ? `${n} bars` : "bar"} could come ${count} times.`);
      const other = Array.from({ length: count }, (_, k) => first + k * n).find((k) => written(v, k) !== written(v, first));
      if (other !== undefined) {
        return v.say(`No repeat: ${theBar(v.chart, first)} and ${theBar(v.chart, other)} are written differently.`);
      }
      setCue(v, first, now, count === 1 ? `write out ${n}` : `repeat ${n}${count > 2 ? `, ${count} times` : ""}`);
      v.say(count === 1 ? `The score writes out ${inBars(v, [first, last]).slice(3)}.`
        : `The score shows ${inBars(v, [first, last]).slice(3)} with repeat signs for ${inBars(v, [first, end - 1]).slice(3)}; endings where they differ.`);
    });
}

export const capital = (text) => text[0].toUpperCase() + text.slice(1);

function askSection(v) {
  const { bar } = v.cursor;
  const now = v.chart.sections.find((s) => s.bar_index === bar);
  v.ask(`Section beginning at ${theBar(v.chart, bar)}: `, now ? now.name : "", "Verse (empty: no section here)",
    (name) => {
      if (name) v.edit({ edit: "name section", bar_index: bar, name, label: now?.label || "" });
      else if (now) v.edit({ edit: "remove section", bar_index: bar });
    });
}

/** Acts that lay bars anew, for the bars that are meant. @type {Record<string, [object, string]>} */
const REBARRINGS = {
  "one earlier": [{ edit: "shift one", beats: "-1" }, "The 1 is a beat earlier"],
  "one later": [{ edit: "shift one", beats: "1" }, "The 1 is a beat later"],
  "one half later": [{ edit: "shift one", beats: "1/2" }, "The 1 is half a beat later"],
  "half tempo": [{ edit: "change level", factor: "1/2" }, "Counted half as fast"],
  "double tempo": [{ edit: "change level", factor: "2" }, "Counted twice as fast"],
  "three for two": [{ edit: "change level", factor: "3/2" }, "Three beats for two"],
  "two for three": [{ edit: "change level", factor: "2/3" }, "Two beats for three"],
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

for (const [name, [edit, words]] of Object.entries(REBARRINGS)) {
  COMMANDS[name] = (v) => {
    const [stretch, where] = meant(v);
    v.edit({ ...edit, ...stretch });
    v.say(`${words} ${where}; every hit stays where it was heard.`);
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

/** What an act on bars will do, for its button and the menu. @type {Record<string, (v: any) => string>} */
export const BAR_ACTS = {
  "insert bars": (v, before = true) => {
    const [first, last] = bars(v);
    const n = last - first + 1;
    return heardBetween(v, first) ? `${barName(v.chart, first)} becomes two${before ? ", if it lasts as long as two" : ""}: a line was missed`
      : `Insert ${n > 1 ? `${n} bars` : "a bar"} before ${theBar(v.chart, first)}`;
  },
  "delete bars": (v, before = true) => {
    const [first, last] = bars(v);
    return v.chart.recording && first === last && heardBetween(v, first)
      ? `${barName(v.chart, first)} and the next become one${before ? ", if together they last as long as one" : ""}: a line too many`
      : `Delete ${inBars(v, [first, last]).slice(3)}`;
  },
  "duplicate bars": (v, before = true) => `Insert a copy after ${inBars(v, bars(v)).slice(3)}${
    before && heardBetween(v, bars(v)[1] + 1) ? ", if the recording has time for it" : ""}`,
  "bars earlier": (v) => `Hits ${inBars(v, bars(v))} a bar earlier`,
  "bars later": (v) => `Hits ${inBars(v, bars(v))} a bar later`,
};

/** Whether bars are bound to a recording on both sides, so that none can come in between. */
const heardBetween = (v, bar) => Boolean(v.chart.recording) && bar > 0 && bar < v.chart.bars.length - 1;

/** Do an act on bars and say what was done, in the words that announced it. */
function actOnBars(name, edit) {
  COMMANDS[name] = (v) => {
    const words = BAR_ACTS[name](v, false);
    const made = edit(v, ...bars(v));
    if (!made) return v.say("There is no bar on that side.");
    v.edit(made);
    v.say(`Done: ${words[0].toLowerCase()}${words.slice(1)}.`);
  };
}

actOnBars("insert bars", (v, first, last) => ({ edit: "insert bars", bar_index: first, count: last - first + 1 }));
actOnBars("delete bars", (v, first, last) => ({ edit: "delete bars", first_bar: first, last_bar: last }));
actOnBars("duplicate bars", (v, first, last) => ({ edit: "together", name: "duplicate bars", edits: [
  { edit: "insert bars", bar_index: last + 1, count: last - first + 1 },
  { edit: "set bars", first_bar: last + 1, bars: copiedBars(v.chart, first, last) }] }));
actOnBars("bars earlier", (v, first, last) => rotated(v, first - 1, last, 1));
actOnBars("bars later", (v, first, last) => rotated(v, first, last + 1, -1));

/** Contents of bars with the neighbour on the other side of them; the selection goes along. */
function rotated(v, first, last, by) {
  const inside = v.chart.bars.slice(first, last + 1);
  if (first < 0 || last >= v.chart.bars.length) return null;
  const to = by > 0 ? [first, last - 1] : [first + 1, last];
  v.moveCursor({ ...v.cursor, ...samePlace(v.chart, v.cursor, to[0]) }, false);
  if (v.selection) v.select(to);
  return { edit: "set bars", first_bar: first, bars: by > 0 ? [...inside.slice(1), inside[0]]
    : [inside[inside.length - 1], ...inside.slice(0, -1)] };
}

/** A line a little earlier or later; from where a nudge that is not answered yet has put it. */
function nudgeLine(v, step_s) {
  const bar = v.cursor.bar;
  const moves = v.session.pending.map((p) => p.message.edit)
    .filter((e) => e?.edit === "move bar line" && e.bar_index === bar);
  const from_s = moves.at(-1)?.time_s ?? v.chart.time_map.bars[bar].beats_s[0];
  v.edit({ edit: "move bar line", bar_index: bar, time_s: from_s + step_s });
}
