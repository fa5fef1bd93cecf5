/**
 * The chart as the page holds it (the data of workbench.chart.data) and what can be
 * read from it.  Python owns the truth: nothing here decides, it mirrors for drawing.
 */
import { OTHER_SYLLABLE, PLACE_WORDS, SYLLABLES } from "./counting.js";
import { add, compare, fraction, multiply, parseFraction, subtract, textOf, valueOf } from "./fractions.js";

/** Meters by how they are written, of which a song has few. @type {Map<string, any>} */
const meters = new Map();

/** @param {string} meter "6/8" */
export function readMeter(meter) {
  if (!meters.has(meter)) {
    const [beats, unit] = meter.split("/").map(Number);
    const compound = unit >= 8 && beats > 3 && beats % 3 === 0;
    meters.set(meter, { beats, unit, compound, barLength: fraction(beats, unit),
      beatLength: fraction(compound ? 3 : 1, unit) });
  }
  return meters.get(meter);
}

/**
 * Columns of one bar: exact position, beat, place in the beat.
 * The same rule as Chart.grid_positions in Python.
 * @param {{meter: string, length?: string}} timed
 * @param {number[]|undefined} subdivisions
 */
export function columnsOf(timed, subdivisions) {
  const key = `${timed.meter} ${timed.length || ""} ${subdivisions || ""}`;
  if (!knownColumns.has(key)) knownColumns.set(key, columnsBy(timed, subdivisions));
  return knownColumns.get(key);
}

/** Columns by meter, length and subdivisions, of which a song has few; not to be changed. @type {Map<string, any[]>} */
const knownColumns = new Map();

function columnsBy(timed, subdivisions) {
  const meter = readMeter(timed.meter);
  const length = timed.length ? parseFraction(timed.length) : meter.barLength;
  const missing = subtract(meter.barLength, length);
  const columns = [];
  let beat = 0;
  for (const [start, end] of beatSpans(timed)) {
    const parts = (subdivisions && subdivisions[beat]) || (meter.compound ? 6 : 4);
    const step = multiply(meter.beatLength, fraction(1, parts));
    const span = subtract(end, start);
    const steps = Math.ceil(valueOf(span) / valueOf(step) - 1e-9);
    const number = Math.floor(valueOf(add(start, missing)) / valueOf(meter.beatLength) + 1e-9) + 1;
    for (let k = steps; k > 0; k--) {
      const whole = subtract(end, multiply(step, fraction(k)));
      // A beat cut short begins with a column, wherever in a step that falls.
      const cut = compare(whole, start) < 0;
      const part = cut ? parts - valueOf(span) / valueOf(step) : parts - k;
      columns.push({ at: cut ? start : whole, beat, number, part, parts, step });
    }
    beat += 1;
  }
  return columns;
}

/** Spans of beats by meter and length, of which a song has few. @type {Map<string, [any, any][]>} */
const spans = new Map();

/** Start and end of each counted beat of a bar. @param {{meter: string, length?: string}} timed */
export function beatSpans(timed) {
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
  return starts.map((s, k) => /** @type {[any, any]} */ ([s, starts[k + 1] || length]));
}

/** Length of a bar. @param {{meter: string, length?: string}} timed */
export const lengthOf = (timed) => (timed.length ? parseFraction(timed.length) : readMeter(timed.meter).barLength);

/**
 * The count at a position: its number, and the part of a count past it.
 * @param {{meter: string, length?: string}} timed
 */
function countAt(timed, at) {
  const meter = readMeter(timed.meter);
  const missing = subtract(meter.barLength, lengthOf(timed));
  const counts = multiply(add(at, missing), fraction(meter.unit));
  const number = Math.floor(counts.n / counts.d);
  return { number: number + 1, part: textOf(subtract(counts, fraction(number))), unit: meter.unit };
}

/** What a drummer says at a position: "2", "e", "&", "trip" … */
export function spoken(timed, at) {
  const { number, part } = countAt(timed, at);
  return part === "0" ? String(number) : SYLLABLES[part] || OTHER_SYLLABLE;
}

/** "a kick", "an open hi-hat" */
export const withArticle = (name) => `${/^[aeiou]/.test(name) ? "an" : "a"} ${name}`;

/** The singular of a note value: "16th", "32nd". */
const valueName = (parts) => `${parts}${parts === 32 ? "nd" : "th"}`;

/** A position in words: "2", "& of 2", "last triplet of 4". */
export function placeName(timed, at) {
  const { number, part, unit } = countAt(timed, at);
  if (part === "0") return String(number);
  const values = { n: number, quarter: valueName(4 * unit), eighth: valueName(8 * unit) };
  if (PLACE_WORDS[part]) return PLACE_WORDS[part].replace(/{(\w+)}/g, (_, name) => String(values[name]));
  const { n, d } = parseFraction(part);
  // The nearest quarter of the count; the earlier of two equally near.
  const quarter = [0, 1, 2, 3, 4].reduce((a, b) => (Math.abs(b * d - 4 * n) < Math.abs(a * d - 4 * n) ? b : a));
  const next = readMeter(timed.meter).beats === number ? "the next 1" : String(number + 1);
  const near = quarter === 0 ? String(number) : quarter === 4 ? next
    : `the ${SYLLABLES[textOf(fraction(quarter, 4))]} of ${number}`;
  return `just ${4 * n > quarter * d ? "after" : "before"} ${near}`;
}

/** A position within a sentence: "2", "the & of 2". */
export function thePlace(timed, at) {
  const name = placeName(timed, at);
  return /^\d+$/.test(name) || name.startsWith("just ") ? name : `the ${name}`;
}

/** Number that players use for a bar (0 for a pick-up). */
export function barNumber(chart, bar) {
  const first = chart.time_map.bars[0];
  return first.length && chart.time_map.bars.length > 1 ? bar : bar + 1;
}

/** A bar within a sentence ("bar 4", "the pick-up") and at its beginning. */
export const theBar = (chart, bar) => (barNumber(chart, bar) ? `bar ${barNumber(chart, bar)}` : "the pick-up");
export const barName = (chart, bar) => (barNumber(chart, bar) ? `Bar ${barNumber(chart, bar)}` : "Pick-up");

/** A run of bars within a sentence: "bar 5", "bars 5 to 8", "the pick-up to bar 8". */
export function barsSaid(chart, first, last) {
  if (last <= first) return theBar(chart, first);
  const to = barNumber(chart, last);
  return barNumber(chart, first) ? `bars ${barNumber(chart, first)} to ${to}` : `the pick-up to bar ${to}`;
}

/** Runs of bars that are named before the rest is counted. */
const MOST_RUNS = 6;

/** Bars within a sentence: "bar 4", "bars 1–4, 7", "pick-up + bars 1–8"; beyond some runs "and 9 more". */
export function barList(chart, bars, mostRuns = MOST_RUNS) {
  const numbers = [...new Set(bars.map((b) => barNumber(chart, b)))].sort((a, b) => a - b);
  const full = numbers.filter(Boolean);
  const words = numbers[0] === 0 ? ["pick-up"] : [];
  if (full.length) {
    const runs = [];
    for (const n of full) {
      const run = runs[runs.length - 1];
      if (run?.[1] === n - 1) run[1] = n;
      else runs.push([n, n]);
    }
    const more = runs.slice(mostRuns).reduce((sum, [a, b]) => sum + b - a + 1, 0);
    words.push(`bar${full.length > 1 ? "s" : ""} ${runs.slice(0, mostRuns).map(([a, b]) => (a === b ? a : `${a}–${b}`)).join(", ")}${
      more ? ` and ${more} more` : ""}`);
  }
  return words.join(" + ");
}

/** @returns the note of a bar at an exact position (text) and instrument, or undefined */
export function noteAt(chart, bar, at, instrument) {
  const written = chart.bars[bar];
  return written && written.notes.find((n) => n.at === at && n.instrument === instrument);
}

/** A hit is doubtful while no one has confirmed it and the draft was unsure. */
export const isDoubtful = (note, below) => !note.confirmed && (note.confidence ?? 1) < below;

/** All doubtful hits in the order of the music. */
export function doubtfulHits(chart, below) {
  const found = [];
  chart.bars.forEach((written, bar) => {
    for (const note of written.notes) if (isDoubtful(note, below)) found.push({ bar, note });
  });
  return found;
}

/** Bars with doubtful hits, least sure first: the sum of what is doubted. */
export function doubtfulBars(chart, below) {
  const doubt = new Map();
  for (const { bar, note } of doubtfulHits(chart, below)) {
    doubt.set(bar, (doubt.get(bar) || 0) + 1 - (note.confidence ?? 1));
  }
  return [...doubt].sort((a, b) => b[1] - a[1] || a[0] - b[0]).map(([bar]) => bar);
}

/** What is hit when in a written bar; bars are values, so each is read once. */
const hitsOf = new WeakMap();

/** What is hit when in a bar, as one text. */
function hitsIn(written) {
  let hits = hitsOf.get(written);
  if (hits === undefined) {
    hits = written.notes.map((n) => `${n.at} ${n.instrument}`).sort().join("|");
    hitsOf.set(written, hits);
  }
  return hits;
}

/** Indices of the bars that repeat this one, this one included: meter, length and what is hit when are the same. */
export function repeatsOf(chart, bar) {
  const { meter, length } = chart.time_map.bars[bar];
  const { notes } = chart.bars[bar];
  const found = [];
  chart.time_map.bars.forEach((timed, k) => {
    if (timed.meter === meter && timed.length === length && chart.bars[k].notes.length === notes.length
      && hitsIn(chart.bars[k]) === hitsIn(chart.bars[bar])) found.push(k);
  });
  return found;
}

/** Seconds at a position (number, whole notes) of a bar. */
export function secondsAt(time, bar, position) {
  const k = anchorBefore(time.anchorNotes, time.starts[bar] + position);
  return interpolate(time.anchorNotes, time.anchorTimes, k, time.starts[bar] + position);
}

/** Whole notes from the first bar line at a moment. */
export function notesAt(time, seconds) {
  const k = anchorBefore(time.anchorTimes, seconds);
  return interpolate(time.anchorTimes, time.anchorNotes, k, seconds);
}

/** Bar and position (number) at a moment. */
export function placeAt(time, seconds) {
  const notes = notesAt(time, seconds);
  let bar = 0;
  let high = time.starts.length - 2;
  while (bar < high) {
    const mid = (bar + high + 1) >> 1;
    if (time.starts[mid] <= notes + 1e-9) bar = mid;
    else high = mid - 1;
  }
  return { bar, position: notes - time.starts[bar] };
}

/** Anchors of time maps; these are values. @type {WeakMap<object, any>} */
const times = new WeakMap();

/** Anchors of a time map for conversions, as TimeMap has them in Python. */
export function timeOf(timeMap) {
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
    const mid = (low + high + 1) >> 1;
    if (xs[mid] <= x) low = mid;
    else high = mid - 1;
  }
  return low;
}

function interpolate(xs, ys, k, x) {
  return ys[k] + ((x - xs[k]) * (ys[k + 1] - ys[k])) / (xs[k + 1] - xs[k]);
}

/** One hit in words, for the line under the grid and for screen readers. */
export function describeNote(chart, bar, note) {
  const timed = chart.time_map.bars[bar];
  const words = [`${note.instrument} on ${thePlace(timed, parseFraction(note.at))}`];
  words.push(`velocity ${note.velocity}`);
  if (note.articulations && note.articulations.length) words.push(note.articulations.join(", "));
  const late = Math.round((note.deviation_s || 0) * 1000);
  if (late) words.push(`${Math.abs(late)} ms ${late > 0 ? "late" : "early"}`);
  if (note.sticking) words.push(note.sticking === "R" ? "right hand" : "left hand");
  if (note.confirmed) words.push("confirmed");
  else if (note.confidence !== undefined) words.push(`draft is ${Math.round(note.confidence * 100)} % sure`);
  return words.join(", ");
}
