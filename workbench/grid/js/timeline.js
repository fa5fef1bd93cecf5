/**
 * Where bars, columns and rows lie on the sheet, and back from pixels to them.  Pure functions.
 *
 * The sheet reads like a page of music: bars stand in lines of equal count, so that what
 * repeats stands one under the other.  In a line, left to right is the *written* time: a beat
 * is as wide in a fast bar as in a slow one, and the sound above is laid to the same beats.
 */
import { columnsOf, lengthOf, notesAt, secondsAt } from "./chart.js";
import { add, compare, fraction, multiply, parseFraction, textOf, valueOf } from "./fractions.js";

/** Sizes in CSS pixels; a folded row is one of a drum that is not played so far. */
export const SIZES = {
  gutter: 108, pad: 14, head: 22, wave: 36, spectrum: 32, marks: 16, counts: 19, gap: 12,
  row: 26, lowRow: 18, folded: 8,
};

/** Sections begin a new line while lines hold no more bars than this. */
const LONGEST_PHRASE = 8;
/** Room that two hits of one drum need to be read from a metre away, pixels. */
const READABLE_PX = 15;
/** Bars in a line, most first, that are tried where as many are wanted as can be read. */
const READABLE_LINES = [4, 2];
/** Share of the bars that are to be read with ease; the densest may be closer. */
const READABLE_SHARE = 0.85;
/** Share of a bar's hits that may be closer: two 32nds in a bar are no reason to show half as many bars. */
const CLOSE_SHARE = 1 / 3;

const gaps = new WeakMap();

/**
 * How near to its neighbours of the same drum each hit of a bar stands, whole notes; bars are values, read once.
 * @returns {number[]} in the order of the notes
 */
export function gapsOf(written) {
  let found = gaps.get(written);
  if (found) return found;
  const last = new Map();
  found = written.notes.map(() => Infinity);
  written.notes.forEach((note, k) => {
    const at = valueOf(parseFraction(note.at));
    const before = last.get(note.instrument);
    if (before) {
      found[k] = at - before.at;
      found[before.k] = Math.min(found[before.k], at - before.at);
    }
    last.set(note.instrument, { at, k });
  });
  gaps.set(written, found);
  return found;
}

const finest = new WeakMap();

/** How near to each other hits of one drum stand in most of a bar, at most an eighth note; read once. */
function finestOf(written) {
  if (!finest.has(written)) {
    const near = [...gapsOf(written)].sort((a, b) => a - b);
    finest.set(written, Math.min(1 / 8, near[Math.floor(near.length * CLOSE_SHARE)] ?? 1));
  }
  return finest.get(written);
}

/** As many bars in a line as can be read in a width. */
export function readableBars(chart, width) {
  const room = width - SIZES.gutter - 2 * SIZES.pad;
  const needed = chart.bars.map((written, k) => (valueOf(lengthOf(chart.time_map.bars[k])) / finestOf(written)) * READABLE_PX)
    .sort((a, b) => a - b);
  const usual = needed[Math.min(Math.floor(needed.length * READABLE_SHARE), needed.length - 1)];
  return READABLE_LINES.find((count) => count * usual <= room) ?? 1;
}

/**
 * How high each row is: rows that are played as high as a line of them fits the sheet, the others folded.
 * Where not even low rows fit, the spectrogram gives up its room.
 * @param {boolean[]} played @param {{wave: boolean, spectrum: boolean}} shown is changed
 */
export function rowHeights(played, sheetHeight, shown, marks) {
  const tall = played.filter(Boolean).length;
  const room = () => sheetHeight - SIZES.head - SIZES.counts - (shown.wave ? SIZES.wave : 0)
    - (shown.spectrum ? SIZES.spectrum : 0) - (marks ? SIZES.marks : 0) - (played.length - tall) * SIZES.folded;
  if (room() < tall * SIZES.lowRow) shown.spectrum = false;
  const height = Math.min(Math.max(Math.floor(room() / Math.max(tall, 1)), SIZES.lowRow), SIZES.row);
  return played.map((yes) => (yes ? height : SIZES.folded));
}

/**
 * Lay all bars into lines.
 * @param {any} chart @param {number} width @param {number} barsPerLine @param {number[]} rowHeights
 * @param {{wave: boolean, spectrum: boolean}} shown
 */
export function layoutSheet(chart, width, barsPerLine, rowHeights, shown = { wave: true, spectrum: true }) {
  const timed = chart.time_map.bars;
  const lengths = timed.map((b) => valueOf(lengthOf(b)));
  const usual = median(lengths);
  const sections = new Set(chart.sections.map((s) => s.bar_index));
  const lines = [];
  const top = SIZES.head;
  const waveY = top;
  const spectrumY = waveY + (shown.wave ? SIZES.wave : 0);
  const marksY = spectrumY + (shown.spectrum ? SIZES.spectrum : 0);
  // Only a chart with marks gives up room for them.
  const countsY = marksY + (chart.marks.length ? SIZES.marks : 0);
  const rowsY = countsY + SIZES.counts;
  const rowTops = [];
  let bottom = rowsY;
  for (const h of rowHeights) {
    rowTops.push(bottom);
    bottom += h;
  }
  const height = bottom + SIZES.gap;
  let first = 0;
  let start = 0;
  const room = Math.max(width - SIZES.gutter - 2 * SIZES.pad, 50);
  while (first < timed.length) {
    // A pick-up stands before the first line's bars, not in place of one.
    let count = barsPerLine + (first === 0 && timed[0].length ? 1 : 0);
    if (barsPerLine <= LONGEST_PHRASE) {
      for (let k = 1; k < count; k++) if (sections.has(first + k) && !(first + k === 1 && timed[0].length)) count = k;
    }
    const last = Math.min(first + count, timed.length);
    const total = lengths.slice(first, last).reduce((a, b) => a + b, 0);
    const scale = room / Math.max(total, usual * Math.min(barsPerLine, timed.length));
    const left = SIZES.gutter + SIZES.pad;
    const bars = [];
    let at = 0;
    for (let bar = first; bar < last; bar++) {
      bars.push({ bar, x: left + at * scale, width: lengths[bar] * scale });
      at += lengths[bar];
    }
    lines.push({ index: lines.length, first, last, start, total, left, right: left + total * scale, scale, bars,
                 y: lines.length * height });
    start += total;
    first = last;
  }
  return { lines, lineHeight: height, height: lines.length * height, width, waveY, spectrumY, marksY, countsY, rowsY,
           rowTops, rowHeights, rowsBottom: bottom };
}

function median(xs) {
  const sorted = xs.slice().sort((a, b) => a - b);
  return sorted[sorted.length >> 1];
}

/** The line in which a bar stands. */
export function lineOf(sheet, bar) {
  let low = 0;
  let high = sheet.lines.length - 1;
  while (low < high) {
    const mid = (low + high + 1) >> 1;
    if (sheet.lines[mid].first <= bar) low = mid;
    else high = mid - 1;
  }
  return sheet.lines[low];
}

/** x of a position (number, whole notes) in a bar. */
export function xOf(sheet, bar, position) {
  const line = lineOf(sheet, bar);
  return line.bars[bar - line.first].x + position * line.scale;
}

/** x of a moment in a line (it may lie outside of it). */
export const xOfTime = (line, time, seconds) => line.left + (notesAt(time, seconds) - line.start) * line.scale;

/** The moment at an x of a line. */
export function timeAtX(line, time, x) {
  const notes = line.start + (x - line.left) / line.scale;
  return secondsAt(time, 0, notes);
}

/** Lines that lie in a window of the sheet. */
export function linesInView(sheet, top, height) {
  const first = Math.max(Math.floor(top / sheet.lineHeight), 0);
  const last = Math.min(Math.ceil((top + height) / sheet.lineHeight), sheet.lines.length);
  return sheet.lines.slice(first, Math.max(last, first));
}

/**
 * What lies at a point of the sheet.
 * @returns {{zone: "head"|"wave"|"spectrum"|"marks"|"counts"|"rows"|"names"|"none", line?: any, bar?: number, row?: number,
 *   position?: number}}
 */
export function hitTest(sheet, x, y) {
  const line = sheet.lines[Math.floor(y / sheet.lineHeight)];
  if (!line || y < 0) return { zone: "none" };
  const dy = y - line.y;
  const row = rowAt(sheet, dy);
  const zone = dy < sheet.waveY ? "head" : dy < sheet.spectrumY ? "wave" : dy < sheet.marksY ? "spectrum"
    : dy < sheet.countsY ? "marks" : dy < sheet.rowsY ? "counts" : dy < sheet.rowsBottom ? "rows" : "none";
  if (x < SIZES.gutter) return { zone: zone === "rows" ? "names" : "none", line, row };
  // The half column before a bar line belongs to the bar it opens.
  let k = line.bars.length - 1;
  while (k > 0 && x < line.bars[k].x) k -= 1;
  const bar = line.bars[k];
  return { zone, line, bar: bar.bar, row, position: (x - bar.x) / line.scale };
}

/** The row at a height of a line; above all rows the first, below them the last. */
export const rowAt = (sheet, dy) => Math.max(sheet.rowTops.filter((top) => top <= dy).length - 1, 0);

/** Where in a line the heads of a row stand. */
export const rowBase = (sheet, row) => sheet.rowTops[row] + sheet.rowHeights[row] * (sheet.rowHeights[row] < 12 ? 0.5 : 0.7);

/**
 * The column nearest to a position of a bar; past the last half column it is the next bar's first.
 * @returns {{bar: number, at: string}}
 */
export function nearestColumn(chart, bar, position) {
  const columns = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  const end = valueOf(lengthOf(chart.time_map.bars[bar]));
  let best = columns[0];
  for (const c of columns) if (Math.abs(valueOf(c.at) - position) < Math.abs(valueOf(best.at) - position)) best = c;
  if (bar + 1 < chart.bars.length && end - position < Math.abs(valueOf(best.at) - position)) {
    return { bar: bar + 1, at: "0" };
  }
  return { bar, at: textOf(best.at) };
}

/** Parts of a step where a hit between columns may stand: halves, thirds and quarters. */
const BETWEEN = [[1, 4], [1, 3], [1, 2], [2, 3], [3, 4]].map(([n, d]) => fraction(n, d));

/** The place between two columns nearest to a position. */
export function nearestBetween(chart, bar, position) {
  const columns = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  const before = columns.filter((c) => valueOf(c.at) <= position).pop() || columns[0];
  const spots = BETWEEN.map((part) => add(before.at, multiply(before.step, part)));
  spots.sort((a, b) => Math.abs(valueOf(a) - position) - Math.abs(valueOf(b) - position));
  const end = lengthOf(chart.time_map.bars[bar]);
  const inside = spots.find((s) => compare(s, end) < 0);
  return { bar, at: textOf(inside || before.at) };
}

/**
 * The next column to the right (+1) or left (−1) of a place; it goes on into the next bar.
 * @returns {{bar: number, at: string}|null} null at the ends of the chart
 */
export function neighbourColumn(chart, place, direction) {
  const at = parseFraction(place.at);
  const columns = columnsOf(chart.time_map.bars[place.bar], chart.bars[place.bar].subdivisions);
  const found = direction > 0 ? columns.find((c) => compare(c.at, at) > 0)
    : columns.filter((c) => compare(c.at, at) < 0).pop();
  if (found) return { bar: place.bar, at: textOf(found.at) };
  const bar = place.bar + direction;
  if (bar < 0 || bar >= chart.bars.length) return null;
  const next = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  return { bar, at: textOf((direction > 0 ? next[0] : next[next.length - 1]).at) };
}

/** The neighbouring place between columns: a quarter of a step to the side, thirds included. */
export function neighbourBetween(chart, place, direction) {
  const at = parseFraction(place.at);
  const end = lengthOf(chart.time_map.bars[place.bar]);
  const columns = columnsOf(chart.time_map.bars[place.bar], chart.bars[place.bar].subdivisions);
  const spots = columns.flatMap((c) => [c.at, ...BETWEEN.map((part) => add(c.at, multiply(c.step, part)))])
    .filter((s) => compare(s, end) < 0).sort(compare);
  const found = direction > 0 ? spots.find((s) => compare(s, at) > 0) : spots.filter((s) => compare(s, at) < 0).pop();
  return found ? { bar: place.bar, at: textOf(found) } : neighbourColumn(chart, place, direction);
}

/** The same place in the count of another bar, or its last column. */
export function samePlace(chart, place, bar) {
  const end = lengthOf(chart.time_map.bars[bar]);
  if (compare(parseFraction(place.at), end) < 0) return { bar, at: place.at };
  const columns = columnsOf(chart.time_map.bars[bar], chart.bars[bar].subdivisions);
  return { bar, at: textOf(columns[columns.length - 1].at) };
}
