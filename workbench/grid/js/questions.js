/**
 * What the draft asks: doubts by place, and which of them are one question: the same drum, in doubt or possible, at the
 * same place of bars that are alike.  It is asked at the first of them.  The same rule as workbench.reading.questions.
 */
import { isDoubtful, noteAt } from "./chart.js";
import { placeKey } from "./chosen.js";
import { parseFraction, valueOf } from "./fractions.js";
import { areRivals, possibleByBar } from "./possible.js";

/** Bars are alike if they share so large a part of their hits: ALIKE_FROM in Python. */
const ALIKE_FROM = [3, 5];
/** What lies further away is another song, bars. */
const ALIKE_WITHIN_BARS = 256;

/** @typedef {{bar: number, at: string, instrument: string}} Place */

/** Hits have numbers, so that a bar is a set of bits: thousands of bars are compared while a key is down. @type {Map<string, number>} */
const numbers = new Map();
/** Bars are values, so each is read once. @type {WeakMap<object, {bits: Int32Array, count: number}>} */
const hits = new WeakMap();

function hitsIn(written) {
  let found = hits.get(written);
  if (!found) {
    const mine = written.notes.map((n) => {
      const hit = `${n.at} ${n.instrument}`;
      if (!numbers.has(hit)) numbers.set(hit, numbers.size);
      return numbers.get(hit);
    });
    found = { bits: new Int32Array((Math.max(-1, ...mine) >> 5) + 1), count: mine.length };
    for (const n of mine) found.bits[n >> 5] |= 1 << (n & 31);
    hits.set(written, found);
  }
  return found;
}

/** How many bits of a number of 32 are set. */
function bitCount(n) {
  n -= (n >>> 1) & 0x55555555;
  n = (n & 0x33333333) + ((n >>> 2) & 0x33333333);
  return Math.imul((n + (n >>> 4)) & 0x0f0f0f0f, 0x01010101) >>> 24;
}

/** Whether two bars of a chart are alike. */
export function areAlike(chart, a, b) {
  if (Math.abs(a - b) > ALIKE_WITHIN_BARS) return false;
  const [one, other] = [chart.time_map.bars[a], chart.time_map.bars[b]];
  if (one.meter !== other.meter || one.length !== other.length) return false;
  const mine = hitsIn(chart.bars[a]);
  const theirs = hitsIn(chart.bars[b]);
  let both = 0;
  for (let k = Math.min(mine.bits.length, theirs.bits.length) - 1; k >= 0; k--) both += bitCount(mine.bits[k] & theirs.bits[k]);
  return 2 * both * ALIKE_FROM[1] >= (mine.count + theirs.count) * ALIKE_FROM[0];
}

/** @type {WeakMap<object, {time: any, below: number, questions: Place[][], byPlace: Map<string, Place[]>}>} */
const known = new WeakMap();

function read(chart, time, below) {
  const found = known.get(chart);
  if (found?.time === time && found.below === below) return found;
  /** Questions by drum, place, and whether they are of what is written. @type {Map<string, Place[][]>} */
  const same = new Map();
  const byPlace = new Map();
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
  chart.bars.forEach((written, bar) => {
    for (const n of written.notes) if (isDoubtful(n, below)) ask("written", bar, n.at, n.instrument);
    for (const h of possible.get(bar) || []) ask("possible", bar, h.at, h.instrument);
  });
  const made = { time, below, questions: [...same.values()].flat(), byPlace };
  known.set(chart, made);
  return made;
}

/** All questions, each with its places in the order of the music. @returns {Place[][]} */
export const questionsOf = (chart, time, below) => read(chart, time, below).questions;

/** The other places at which the question of a place is asked; none where nothing is. @returns {Place[]} */
export const alikeTo = (chart, time, below, place) =>
  (read(chart, time, below).byPlace.get(placeKey(place)) || []).filter((p) => p.bar !== place.bar);

/**
 * Where the other sound of a drum is asked at the same place of bars like this one, written or possible as this is: a question of
 * its own, as the answers mostly differ (workbench.reading.questions).
 * Bars that ask of the drum's own sound, too, are left out.
 * @returns {Place[]}
 */
export function rivalsOf(chart, time, below, { bar, at, instrument }, possible) {
  const byBar = possible && possibleByBar(chart, time);
  return chart.bars.flatMap((written, b) => {
    if (b === bar) return [];
    const here = byBar ? (byBar.get(b) || []).filter((h) => h.at === at) : written.notes.filter((n) => n.at === at && isDoubtful(n, below));
    const rivals = here.filter((d) => areRivals(d.instrument, instrument));
    if (!rivals.length || here.some((d) => d.instrument === instrument) || !areAlike(chart, bar, b)) return [];
    return rivals.map((d) => ({ bar: b, at, instrument: d.instrument }));
  });
}

/**
 * Where one stops to answer, in the order of the music: places of bars, with the questions that are asked there first, those
 * of what is written before those of what is possible, in the order of the rows.
 * @returns {{bar: number, at: string, instrument: string, asked: Place[]}[]}
 */
export function stopsOf(chart, time, below, rowOf) {
  const stops = new Map();
  for (const [{ bar, at, instrument }] of questionsOf(chart, time, below)) {
    const key = `${bar} ${at}`;
    if (!stops.has(key)) stops.set(key, { bar, at, asked: [] });
    stops.get(key).asked.push({ bar, at, instrument });
  }
  const row = (p) => rowOf.get(p.instrument) ?? 0;
  // What is written is the likelier of two sounds of one drum.
  const isPossible = ({ bar, at, instrument }) => Number(!noteAt(chart, bar, at, instrument));
  for (const stop of stops.values()) {
    stop.asked.sort((a, b) => isPossible(a) - isPossible(b) || row(a) - row(b));
    stop.instrument = stop.asked[0].instrument;
  }
  const place = (s) => valueOf(parseFraction(s.at));
  return [...stops.values()].sort((a, b) => a.bar - b.bar || place(a) - place(b));
}

/** What else is in doubt or possible at a place, asked there or not. @returns {string[]} its drums */
export function besideIn(chart, time, below, { bar, at, instrument }) {
  const written = chart.bars[bar].notes.filter((n) => n.at === at && isDoubtful(n, below));
  const possible = (possibleByBar(chart, time).get(bar) || []).filter((h) => h.at === at);
  return [...new Set([...written, ...possible].map((d) => d.instrument))].filter((name) => name !== instrument);
}
