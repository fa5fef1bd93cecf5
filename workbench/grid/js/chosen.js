/**
 * Chosen hits: which hits a command is meant for, and the one edit that does it to all of them.
 * Pure functions of a chart; a place is {bar, at, instrument}.
 */
import { columnsOf, lengthOf, noteAt, readMeter } from "./chart.js";
import { usualVelocity } from "./edits.js";
import { add, compare, fraction, multiply, parseFraction, subtract, textOf, valueOf } from "./fractions.js";

/** @param {{bar: number, at: string, instrument: string}} place */
export const placeKey = ({ bar, at, instrument }) => `${bar} ${at} ${instrument}`;

/** Several edits as one that is undone as one. */
export const together = (edits, name) => (edits.length > 1 ? { edit: "together", edits, name } : edits[0] || null);

/** Hits at places, those that are no longer there left out. @returns {{bar: number, note: any}[]} */
export const hitsAt = (chart, places) => [...places]
  .map((p) => ({ bar: p.bar, note: noteAt(chart, p.bar, p.at, p.instrument) })).filter((h) => h.note);

/** All hits of bars first … last that a test lets through. @param {(note: any, bar: number) => boolean} wanted */
export function hitsOf(chart, [first, last], wanted = () => true) {
  const found = [];
  for (let bar = first; bar <= last; bar++) {
    for (const note of chart.bars[bar].notes) if (wanted(note, bar)) found.push({ bar, note });
  }
  return found;
}

/** The hits that a command is meant for: the chosen ones, those of the selected bars, or the one at the cursor. */
export function hitsMeant({ chart, chosen, selection, cursor }) {
  if (chosen.size) return hitsAt(chart, chosen.values());
  return selection ? hitsOf(chart, selection) : hitsAt(chart, [cursor]);
}

const place = ({ bar, note }) => ({ bar, at: note.at, instrument: note.instrument });

/** Places of hits by their keys, as a view holds its chosen hits. */
export const chosenOf = (hits) => new Map(hits.map((h) => [placeKey(place(h)), place(h)]));

/** Change hits; `fields` gives what is to change of a hit, or null. */
export const changeEdit = (hits, fields, name) => together(hits.flatMap(({ bar, note }) => {
  const changed = fields(note);
  return changed ? [{ edit: "change note", bar_index: bar, position: note.at, instrument: note.instrument, ...changed }] : [];
}), name);

export const removeEdit = (hits, name) => together(hits.map(({ bar, note }) =>
  ({ edit: "remove note", bar_index: bar, position: note.at, instrument: note.instrument })), name);

/**
 * Move hits; `to` gives the new place of a place, or null where there is none.
 * A hit that is not among them and in the way is replaced; none of them overwrites another.
 * @returns {{edit: any, places: any[]}|null} null where one of them cannot go
 */
export function moveEdit(hits, to, name) {
  const moves = hits.map((h) => ({ from: place(h), to: to(place(h)) }));
  if (!moves.length || moves.some((m) => !m.to)) return null;
  // A place is left before another comes to it.
  const waiting = new Map(moves.map((m) => [placeKey(m.from), m]));
  const ordered = [];
  const go = (m) => {
    waiting.delete(placeKey(m.from));
    const inTheWay = waiting.get(placeKey(m.to));
    if (inTheWay) go(inTheWay);
    ordered.push(m);
  };
  while (waiting.size) go(waiting.values().next().value);
  const edits = ordered.filter((m) => placeKey(m.from) !== placeKey(m.to)).map((m) => ({ edit: "move note",
    bar_index: m.from.bar, position: m.from.at, instrument: m.from.instrument,
    to_bar_index: m.to.bar, to_position: m.to.at, to_instrument: m.to.instrument }));
  return { edit: together(edits, name), places: moves.map((m) => m.to) };
}

/** A hit that becomes a ghost note is no louder (common practice, no source). */
const GHOST_VELOCITY = 40;

/** Turn an articulation on, or off where all hits that can have it do. @param {Record<string, any>} kit */
export function articulateEdit(hits, name, kit) {
  const able = hits.filter(({ note }) => kit[note.instrument].articulations.includes(name));
  const has = (note) => (note.articulations || []).includes(name);
  const off = able.every(({ note }) => has(note));
  const opposite = { ghost: "accent", accent: "ghost", flam: "drag", drag: "flam" }[name];
  return changeEdit(able.filter(({ note }) => off || !has(note)), (note) => ({ confirmed: true,
    ...(name === "ghost" && !off ? { velocity: Math.min(note.velocity, GHOST_VELOCITY) } : {}),
    articulations: off ? note.articulations.filter((a) => a !== name)
      : [...(note.articulations || []).filter((a) => a !== opposite), name].sort() }), name);
}

// -- copies ------------------------------------------------------------------------------

const startsByMap = new WeakMap();

/** Whole notes from the first bar line to each, and to the end. */
function startsOf(chart) {
  let starts = startsByMap.get(chart.time_map);
  if (!starts) {
    starts = [fraction(0)];
    for (const timed of chart.time_map.bars) starts.push(add(starts[starts.length - 1], lengthOf(timed)));
    startsByMap.set(chart.time_map, starts);
  }
  return starts;
}

const notesTo = (chart, { bar, at }) => add(startsOf(chart)[bar], parseFraction(at));

/** The place so many whole notes from the first bar line, or null outside of the chart. */
function placeAfter(chart, notes) {
  const starts = startsOf(chart);
  if (compare(notes, fraction(0)) < 0) return null;
  let bar = 0;
  let high = starts.length - 1;
  while (bar + 1 < high) {
    const mid = (bar + high) >> 1;
    if (compare(starts[mid], notes) <= 0) bar = mid;
    else high = mid;
  }
  return compare(notes, starts[high]) < 0 ? { bar, at: textOf(subtract(notes, starts[bar])) } : null;
}

/** The place that lies after − offset whole notes from another. */
export const placeBeyond = (chart, to, after, offset) => placeAfter(chart, add(notesTo(chart, to), subtract(after, offset)));

/** A copy of hits: where each stands after the first, and what it is. */
export function copyOf(chart, hits) {
  const at = hits.map((h) => notesTo(chart, place(h)));
  const first = at.reduce((a, b) => (compare(a, b) <= 0 ? a : b));
  return { hits: hits.map(({ note }, k) => {
    const { confidence, deviation_s, ...kept } = note;
    return { after: subtract(at[k], first), note: { ...kept, confirmed: true } };
  }) };
}

/** Write copied hits from a place on. @returns {{edit: any, places: any[]}|null} */
export function pasteHitsEdit(chart, copied, to) {
  const from = notesTo(chart, to);
  const written = copied.hits.flatMap(({ after, note }) => {
    const found = placeAfter(chart, add(from, after));
    return found ? [{ edit: "add note", bar_index: found.bar, note: { ...note, at: found.at } }] : [];
  });
  return written.length ? { edit: together(written, "paste"),
    places: written.map((e) => ({ bar: e.bar_index, at: e.note.at, instrument: e.note.instrument })) } : null;
}

/** Write hits at the same place of every bar in a stretch that lacks them; what is there stays. @returns {{edit, places}|null} */
export function everyBarEdit(chart, hits, [first, last]) {
  const { hits: copies } = copyOf(chart, hits);
  const written = [];
  for (let bar = first; bar <= last; bar++) {
    const length = lengthOf(chart.time_map.bars[bar]);
    for (const { note } of copies) {
      if (compare(parseFraction(note.at), length) >= 0 || noteAt(chart, bar, note.at, note.instrument)) continue;
      written.push({ edit: "add note", bar_index: bar, note });
    }
  }
  return written.length ? { edit: together(written, "in every bar"),
    places: written.map((e) => ({ bar: e.bar_index, at: e.note.at, instrument: e.note.instrument })) } : null;
}

/**
 * Fill a row of bars: on every beat; where that is so already on every half of it, and so on to every column.
 * @returns {{edit: any, places: any[], parts: number}|null} into how many parts each beat is filled
 */
export function fillRowEdit(chart, instrument, [first, last]) {
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
      return { parts, places, edit: together(places.map(({ bar, at }) =>
        ({ edit: "add note", bar_index: bar, note: { at, instrument, velocity, confirmed: true } })), "fill row") };
    }
  }
  return null;
}

/** Repeat hits after themselves: as many whole beats later as they take. */
export function repeatHitsEdit(chart, hits) {
  const at = hits.map((h) => notesTo(chart, place(h))).sort(compare);
  const { beatLength } = readMeter(chart.time_map.bars[hits[0].bar].meter);
  const begin = Math.floor(valueOf(at[0]) / valueOf(beatLength) + 1e-9);
  const end = Math.floor(valueOf(at[at.length - 1]) / valueOf(beatLength) + 1e-9) + 1;
  const to = placeAfter(chart, add(at[0], multiply(beatLength, fraction(end - begin))));
  return to && pasteHitsEdit(chart, copyOf(chart, hits), to);
}
