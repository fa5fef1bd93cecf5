/**
 * Marks over stretches of the chart: the fills, grooves and notes that a reading proposes and a user
 * confirms, moves, names or takes away.  Pure functions: which mark is meant, the edits, where marks
 * lie in a line, and words for them.
 *
 * A mark is {kind, start: [bar, at], end: [bar, at], text, confirmed?}, its end exclusive.
 */
import { lengthOf, theBar, thePlace } from "./chart.js";
import { add, compare, fraction, multiply, parseFraction, textOf, valueOf } from "./fractions.js";
import { neighbourColumn } from "./timeline.js";

/** No fill is longer (workbench.reading.fills.LONGEST_BARS): a longer stretch is looked for after shorter ones. */
const LONGEST_FILL_BARS = 2;

/** Before (< 0), at (0) or after (> 0): places in the order of the music. */
export const comparePlaces = ([a, at], [b, bt]) => a - b || compare(parseFraction(at), parseFraction(bt));

const samePlace = (a, b) => comparePlaces(a, b) === 0;
const overlap = (a, b) => comparePlaces(a.start, b.end) < 0 && comparePlaces(b.start, a.end) < 0;
const covers = (mark, place) => comparePlaces(mark.start, place) <= 0 && comparePlaces(place, mark.end) < 0;

/** Whether any of a bar lies in a mark. */
export const touches = (mark, bar) => overlap(mark, { start: [bar, "0"], end: [bar + 1, "0"] });

/** Length in bars as long as the one in which the mark begins. */
function barsLong(chart, mark) {
  let length = valueOf(parseFraction(mark.end[1])) - valueOf(parseFraction(mark.start[1]));
  for (let bar = mark.start[0]; bar < mark.end[0]; bar++) length += valueOf(lengthOf(chart.time_map.bars[bar]));
  return length / valueOf(lengthOf({ meter: chart.time_map.bars[mark.start[0]].meter }));
}

/** The user's word that no fill is played there: how the reading understands a short groove that is confirmed. */
export const saysNoFill = (chart, mark) =>
  mark.kind === "groove" && Boolean(mark.confirmed) && !mark.text && barsLong(chart, mark) <= LONGEST_FILL_BARS;

/** What a mark says in a word. */
export const wordOf = (chart, mark) => (saysNoFill(chart, mark) ? "no fill" : mark.kind);

/**
 * The mark that a command at the cursor means, or undefined: a fill of the cursor's bar before the
 * groove of its section, what lies under the cursor before what lies beside it.
 */
export function markMeant(chart, cursor) {
  const place = [cursor.bar, cursor.at];
  const rank = (mark) => {
    const long = barsLong(chart, mark);
    return [long > LONGEST_FILL_BARS ? 1 : 0, covers(mark, place) ? 0 : 1, long];
  };
  return chart.marks.filter((m) => touches(m, cursor.bar)).map((mark) => ({ mark, rank: rank(mark) }))
    .sort((a, b) => a.rank[0] - b.rank[0] || a.rank[1] - b.rank[1] || a.rank[2] - b.rank[2])[0]?.mark;
}

/** Marks that a command means: those that begin in the selected bars, else the one at the cursor. */
export function marksMeant(chart, cursor, selection) {
  if (selection) return chart.marks.filter((m) => m.start[0] >= selection[0] && m.start[0] <= selection[1]);
  const mark = markMeant(chart, cursor);
  return mark ? [mark] : [];
}

/** Marks that nobody has confirmed, in the order of the music. */
export const proposedMarks = (chart) => chart.marks.filter((m) => !m.confirmed)
  .sort((a, b) => comparePlaces(a.start, b.start));

// -- edits -------------------------------------------------------------------------------

const removal = (mark) => ({ edit: "remove mark", mark_kind: mark.kind, start: mark.start });
const setting = (mark) => ({ edit: "set mark", mark });

function together(edits, name) {
  return edits.length > 1 ? { edit: "together", edits, name } : edits[0] || null;
}

/**
 * Mark the selected bars as a fill; without a selection from the cursor to where the fill there ends,
 * or to the end of the bar.  Fills in its way, and a word that there is none, give place.
 */
export function fillEdit(chart, cursor, selection) {
  const start = selection ? [selection[0], "0"] : [cursor.bar, cursor.at];
  const line = [(selection ? selection[1] : cursor.bar) + 1, "0"];
  const inTheWay = chart.marks.filter((m) => (m.kind === "fill" || saysNoFill(chart, m)) && overlap(m, { start, end: line }));
  const there = inTheWay.filter((m) => m.kind === "fill").sort((a, b) => comparePlaces(b.end, a.end))[0];
  return replaced(inTheWay, { start, end: selection || !there ? line : there.end, text: "" });
}

/** Let the fill at the cursor end with the cursor's column; null where no fill begins before. */
export function fillEndEdit(chart, cursor) {
  const next = neighbourColumn(chart, cursor, 1);
  const end = next ? [next.bar, next.at] : [cursor.bar + 1, "0"];
  const fill = chart.marks.filter((m) => m.kind === "fill" && comparePlaces(m.start, end) < 0
    && m.start[0] >= cursor.bar - LONGEST_FILL_BARS).pop();
  return fill ? replaced([fill], { start: fill.start, end, text: fill.text }) : null;
}

function replaced(marks, { start, end, text }) {
  // A mark of the same kind and start is replaced by the setting itself.
  const gone = marks.filter((m) => m.kind !== "fill" || !samePlace(m.start, start));
  return together([...gone.map(removal), setting({ kind: "fill", start, end, text, confirmed: true })], "mark fill");
}

/** Confirm marks: no reading changes them any more; null where all are. */
export const keepEdit = (marks) =>
  together(marks.filter((m) => !m.confirmed).map((m) => setting({ ...m, confirmed: true })), "keep marks");

/** Give a mark words of the user's own. */
export const wordsEdit = (mark, text) => setting({ ...mark, text, confirmed: true });

/** Take marks away; where a fill was, the chart says from then on that there is none. */
export function dropEdit(chart, marks) {
  return together(marks.flatMap((m) => (m.kind === "fill" ? [removal(m), setting(noFill(chart, m))] : [removal(m)])),
    "drop marks");
}

function noFill(chart, fill) {
  // The groove of a section may be marked from the same place: the word about the fill begins a little later.
  const taken = chart.marks.some((m) => m.kind === "groove" && samePlace(m.start, fill.start));
  const later = neighbourColumn(chart, { bar: fill.start[0], at: fill.start[1] }, 1);
  const start = taken && later && comparePlaces([later.bar, later.at], fill.end) < 0 ? [later.bar, later.at] : fill.start;
  return { kind: "groove", start, end: atMost(chart, start, fill.end), text: "", confirmed: true };
}

/** An end no farther from a start than a reading understands as "no fill". */
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

// -- in a line ---------------------------------------------------------------------------

/**
 * Where marks lie in a line: from x to x, and whether the mark begins and ends there.  A shorter mark
 * takes the place of a longer one under it.
 * @returns {{mark: any, from: number, to: number, opens: boolean, closes: boolean, first: boolean}[]} left to right
 */
export function piecesInLine(chart, line) {
  const x = ([bar, at]) => (bar >= line.last ? line.right
    : line.bars[bar - line.first].x + valueOf(parseFraction(at)) * line.scale);
  const inLine = { start: [line.first, "0"], end: [line.last, "0"] };
  const spans = chart.marks.filter((m) => overlap(m, inLine)).map((mark) => {
    const opens = mark.start[0] >= line.first;
    const closes = comparePlaces(mark.end, inLine.end) <= 0;
    return { mark, opens, closes, from: opens ? x(mark.start) : line.left, to: closes ? x(mark.end) : line.right };
  }).sort((a, b) => barsLong(chart, a.mark) - barsLong(chart, b.mark));
  const pieces = [];
  for (const span of spans) {
    let rest = [[span.from, span.to]];
    for (const { from, to } of pieces) {
      rest = rest.flatMap(([a, b]) => (to <= a || from >= b ? [[a, b]]
        : [[a, from], [to, b]].filter(([c, d]) => d - c > 0.5)));
    }
    pieces.push(...rest.map(([from, to], k) => ({ mark: span.mark, from, to, first: k === 0 && span.opens,
      opens: span.opens && from === span.from, closes: span.closes && to === span.to })));
  }
  return pieces.sort((a, b) => a.from - b.from);
}

// -- words -------------------------------------------------------------------------------

/** A mark as the label of a bar says it: "proposed fill from the & of 3 to the end"; "" where it says nothing new. */
export function describeMark(chart, bar, mark) {
  const timed = chart.time_map.bars[bar];
  const place = ([, at]) => thePlace(timed, parseFraction(at));
  const begins = mark.start[0] === bar;
  const endsHere = mark.end[0] === bar;
  const endsWithBar = samePlace(mark.end, [bar + 1, "0"]);
  const long = barsLong(chart, mark) > LONGEST_FILL_BARS;
  if (long && !begins) return "";
  const from = begins && (mark.start[1] !== "0" || !(endsWithBar || long)) ? ` from ${place(mark.start)}` : "";
  const to = long ? ` to ${theBar(chart, mark.end[0] - (mark.end[1] === "0" ? 1 : 0))}`
    : endsHere ? `${begins ? "" : " goes on"} up to ${place(mark.end)}`
      : endsWithBar ? (from ? " to the end" : begins ? " of the whole bar" : " goes on to the end")
        : begins ? " into the next bar" : " goes on";
  const said = mark.text && mark.kind !== "fill" ? `: ${mark.text}` : "";
  return `${mark.confirmed ? "" : "proposed "}${wordOf(chart, mark)}${from}${to}${said}`;
}

/** All that the marks of a bar say, in the order of the music. */
export const describeMarks = (chart, bar) => (chart.marks || []).filter((m) => touches(m, bar))
  .map((m) => describeMark(chart, bar, m)).filter(Boolean);
