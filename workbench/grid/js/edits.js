/**
 * Edits as the page makes them (the data of workbench.chart.data.edit_to_data) and what the
 * page shows of them before Python has answered.  Pure functions; charts are not changed in place.
 */
import { secondsAt, timeOf } from "./chart.js";
import { compare, parseFraction, valueOf } from "./fractions.js";
import { areRivals, isSettled, placeOfPossible } from "./possible.js";

/** Edits of notes, columns and marks are shown at once; all others appear when Python has answered. */
export function showAtOnce(chart, edit) {
  switch (edit.edit) {
    case "add note":
      return withBar(chart, edit.bar_index, (notes) => [...without(notes, edit.note.at, edit.note.instrument), edit.note]);
    case "remove note":
      return withBar(chart, edit.bar_index, (notes) => without(notes, edit.position, edit.instrument));
    case "move note": {
      const note = find(chart, edit);
      if (!note) return chart;
      const { confidence, deviation_s, ...kept } = note;
      const moved = { ...kept, at: edit.to_position, instrument: edit.to_instrument, confirmed: true };
      const removed = withBar(chart, edit.bar_index, (notes) => without(notes, edit.position, edit.instrument));
      return withBar(removed, edit.to_bar_index, (notes) => [...without(notes, moved.at, moved.instrument), moved]);
    }
    case "change note": {
      const note = find(chart, edit);
      if (!note) return chart;
      const changed = { ...note };
      for (const field of ["velocity", "articulations", "sticking", "confirmed", "deviation_s"]) {
        if (edit[field] !== undefined) changed[field] = edit[field];
      }
      return withBar(chart, edit.bar_index, (notes) => notes.map((n) => (n === note ? changed : n)));
    }
    case "set bars": {
      const bars = chart.bars.slice();
      edit.bars.forEach((b, k) => {
        if (edit.first_bar + k < bars.length) bars[edit.first_bar + k] = b;
      });
      return { ...chart, bars };
    }
    case "set subdivisions": {
      if (!chart.bars[edit.bar_index]) return chart;  // taken out meanwhile
      const bars = chart.bars.slice();
      bars[edit.bar_index] = { ...bars[edit.bar_index], subdivisions: edit.subdivisions };
      return { ...chart, bars };
    }
    case "set done": {
      const bars = chart.bars.slice();
      for (let k = edit.first_bar; k <= edit.last_bar && k < bars.length; k++) {
        const { done, ...bar } = bars[k];
        bars[k] = edit.done ? { ...bar, notes: bar.notes.map((n) => ({ ...n, confirmed: true })), done: true } : bar;
      }
      return { ...chart, bars };
    }
    case "refuse possible hit":
      return { ...chart, possible_hits: chart.possible_hits.filter(
        (h) => h.time_s !== edit.time_s || h.instrument !== edit.instrument) };
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

/** The chart after what Python reports to have changed; a bar that the page shows so already (`shown`) stays the same object. */
export function withChange(chart, parts, shown = chart) {
  const { bars, time_bars, end_s, ...rest } = parts;
  const next = { ...chart, ...rest };
  if (Array.isArray(bars)) next.bars = bars;
  else if (bars) {
    next.bars = chart.bars.slice();
    for (const [k, written] of Object.entries(bars)) {
      const known = shown.bars[Number(k)];
      next.bars[Number(k)] = JSON.stringify(known) === JSON.stringify(written) ? known : written;
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
  const written = chart.bars[bar];
  if (!written) return chart;
  const bars = chart.bars.slice();
  const notes = change(written.notes);
  notes.sort((a, b) => compare(parseFraction(a.at), parseFraction(b.at)));
  bars[bar] = { ...written, notes };
  return { ...chart, bars };
}

const without = (notes, at, instrument) => notes.filter((n) => n.at !== at || n.instrument !== instrument);

const withoutMark = (marks, kind, [bar, at]) =>
  marks.filter((m) => m.kind !== kind || m.start[0] !== bar || m.start[1] !== at);

const find = (chart, edit) =>
  chart.bars[edit.bar_index]?.notes.find((n) => n.at === edit.position && n.instrument === edit.instrument);

/** Of a drum that the chart has not; of fewer hits than this nothing is usual. */
const PLAIN_VELOCITY = 80;
const FEWEST_USUAL = 4;

/** How loud a drum is played in a chart: the median of its hits, ghost notes aside. */
export function usualVelocity(chart, instrument) {
  const is = (n) => n.instrument === instrument && !n.articulations?.includes("ghost");
  const all = chart.bars.flatMap((b) => b.notes.filter(is).map((n) => n.velocity));
  return all.length < FEWEST_USUAL ? PLAIN_VELOCITY : all.sort((a, b) => a - b)[all.length >> 1];
}

/** A hit written by the user, as loud as that drum usually is. */
export const writtenNote = (chart, at, instrument) =>
  ({ at, instrument, velocity: usualVelocity(chart, instrument), confirmed: true });

/** Copy of the contents of bars first … last, as a paste writes them. */
export const copiedBars = (chart, first, last) => chart.bars.slice(first, last + 1);

/**
 * Paste copied bars from `bar` on, as often as fits `count` bars; stops at the end of the chart.
 * @returns {object|null} edit
 */
export function pasteEdit(chart, copied, bar, count = copied.length) {
  const bars = [];
  for (let k = 0; k < count && bar + k < chart.bars.length; k++) bars.push(asWritten(copied[k % copied.length]));
  return bars.length ? { edit: "set bars", first_bar: bar, bars } : null;
}

/** A pasted hit is the user's word: it keeps dynamics, not the feel or doubts of where it came from. */
function asWritten({ done, ...bar }) {
  const notes = bar.notes.map(({ confidence, deviation_s, ...n }) => ({ ...n, confirmed: true }));
  return { ...bar, notes };
}
