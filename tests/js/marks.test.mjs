// Marks: which one is meant, what the commands make of them, where they lie, what is said of them.
import assert from "node:assert/strict";
import test from "node:test";
import * as marks from "../../workbench/grid/js/marks.js";
import { showAtOnce } from "../../workbench/grid/js/edits.js";
import { layoutSheet, lineOf, xOf } from "../../workbench/grid/js/timeline.js";

/** Nine rows of one height. */
const ROWS = Array(9).fill(20);

const fill = (start, end, fields = {}) => ({ kind: "fill", start, end, text: "", ...fields });
const groove = (start, end, fields = {}) => ({ kind: "groove", start, end, text: "", ...fields });

function song(count, ...marked) {
  return {
    title: "", sections: [], marks: marked,
    time_map: { bars: Array.from({ length: count }, (_, k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => 4 * k + b) })),
      end_s: 4 * count },
    bars: Array.from({ length: count }, () => ({ notes: [] })),
  };
}
const here = (bar, at = "0") => ({ bar, at, instrument: "snare" });
/** The marks after an edit, in the order of the music. */
const after = (chart, edit) => showAtOnce(chart, edit).marks.slice().sort((a, b) => marks.comparePlaces(a.start, b.start));

test("a fill goes from the cursor to the end of its bar, or over the selected bars", () => {
  const chart = song(8);
  assert.deepEqual(after(chart, marks.fillEdit(chart, here(3, "1/2"), null)), [fill([3, "1/2"], [4, "0"], { confirmed: true })]);
  assert.deepEqual(after(chart, marks.fillEdit(chart, here(3, "1/2"), [6, 7])), [fill([6, "0"], [8, "0"], { confirmed: true })]);
});

test("marking again moves the beginning of the fill that is there and leaves no other in its way", () => {
  const chart = song(8, fill([3, "1/4"], [4, "1/2"]), fill([7, "0"], [8, "0"]));
  for (const at of ["0", "1/4", "1/2"]) {
    assert.deepEqual(after(chart, marks.fillEdit(chart, here(3, at), null)),
      [fill([3, at], [4, "1/2"], { confirmed: true }), fill([7, "0"], [8, "0"])]);
  }
});

test("a fill ends with the column of the cursor", () => {
  const chart = song(8, fill([3, "1/2"], [4, "0"]));
  assert.deepEqual(after(chart, marks.fillEndEdit(chart, here(3, "11/16")))[0].end, [3, "3/4"]);
  assert.deepEqual(after(chart, marks.fillEndEdit(chart, here(4, "15/16")))[0].end, [5, "0"]);
  assert.equal(marks.fillEndEdit(chart, here(3, "1/4")), null);
  assert.equal(marks.fillEndEdit(chart, here(7)), null);
});

test("a fill in the bar is meant before the groove of the section, and what is under the cursor before what is beside", () => {
  const long = groove([0, "0"], [8, "0"], { text: "rock" });
  const [one, two] = [fill([3, "0"], [3, "1/4"]), fill([3, "1/2"], [4, "0"])];
  const chart = song(8, long, one, two);
  assert.equal(marks.markMeant(chart, here(3, "3/4")), two);
  assert.equal(marks.markMeant(chart, here(3, "1/8")), one);
  assert.equal(marks.markMeant(chart, here(2)), long);
  assert.equal(marks.markMeant(song(8), here(2)), undefined);
  assert.deepEqual(marks.marksMeant(chart, here(0), [1, 3]), [one, two]);
});

test("keeping confirms what is proposed, and nothing is left to keep", () => {
  const chart = song(8, fill([3, "1/2"], [4, "0"]), fill([7, "1/2"], [8, "0"], { confirmed: true }));
  const kept = after(chart, marks.keepEdit(chart.marks));
  assert.ok(kept.every((m) => m.confirmed));
  assert.equal(marks.keepEdit(kept), null);
});

test("where a fill is taken away the chart says that there is none; taking that away frees the place", () => {
  const chart = song(8, fill([3, "1/2"], [4, "0"]));
  const [none] = after(chart, marks.dropEdit(chart, chart.marks));
  assert.deepEqual(none, groove([3, "1/2"], [4, "0"], { confirmed: true }));
  assert.ok(marks.saysNoFill(chart, none));
  const said = { ...chart, marks: [none] };
  assert.deepEqual(after(said, marks.dropEdit(said, [none])), []);
  assert.deepEqual(after(said, marks.fillEdit(said, here(3, "1/2"), null)).map((m) => m.kind), ["fill"]);
});

test("the word that there is no fill leaves the groove of the section marked", () => {
  const section = groove([4, "0"], [8, "0"], { text: "rock" });
  const chart = song(8, section, fill([4, "0"], [5, "0"]));
  assert.deepEqual(after(chart, marks.dropEdit(chart, [chart.marks[1]])),
    [section, groove([4, "1/16"], [5, "0"], { confirmed: true })]);
});

test("a groove with a name, and a long one, is no word about fills", () => {
  const chart = song(8);
  assert.ok(!marks.saysNoFill(chart, groove([0, "0"], [1, "0"], { confirmed: true, text: "rock" })));
  assert.ok(!marks.saysNoFill(chart, groove([0, "0"], [4, "0"], { confirmed: true })));
  assert.ok(!marks.saysNoFill(chart, groove([0, "0"], [1, "0"])));
  const solo = song(8, fill([1, "1/2"], [6, "0"]));
  assert.deepEqual(after(solo, marks.dropEdit(solo, solo.marks)), [groove([1, "1/2"], [3, "1/2"], { confirmed: true })]);
});

test("marks lie over their columns and go on in the next line", () => {
  const chart = song(8, fill([3, "1/2"], [4, "1/4"]));
  const sheet = layoutSheet(chart, 1000, 4, ROWS);
  const [a] = marks.piecesInLine(chart, sheet.lines[0]);
  const [b] = marks.piecesInLine(chart, sheet.lines[1]);
  assert.deepEqual([a.from, a.to, a.opens, a.closes], [xOf(sheet, 3, 0.5), sheet.lines[0].right, true, false]);
  assert.deepEqual([b.from, b.to, b.opens, b.closes], [sheet.lines[1].left, xOf(sheet, 4, 0.25), false, true]);
  for (const perLine of [1, 2, 8, 32]) {
    const at = layoutSheet(chart, 1000, perLine, ROWS);
    const width = at.lines.flatMap((l) => marks.piecesInLine(chart, l)).reduce((w, p) => w + p.to - p.from, 0);
    assert.ok(Math.abs(width - 0.75 * lineOf(at, 3).scale) < 1e-6);
  }
});

test("a shorter mark takes the place of a longer one", () => {
  const chart = song(4, groove([0, "0"], [4, "0"]), fill([1, "1/2"], [2, "0"]), fill([3, "1/2"], [4, "0"]));
  const [line] = layoutSheet(chart, 1000, 4, ROWS).lines;
  const pieces = marks.piecesInLine(chart, line);
  assert.deepEqual(pieces.map((p) => [p.mark.kind, p.opens, p.closes]), [["groove", true, false], ["fill", true, true],
    ["groove", false, false], ["fill", true, true]]);
  const whole = song(4, groove([0, "0"], [4, "0"]), fill([1, "0"], [3, "0"]));
  assert.deepEqual(layoutSheet(whole, 1000, 1, ROWS).lines.map((l) => marks.piecesInLine(whole, l).map((p) => p.mark.kind)),
    [["groove"], ["fill"], ["fill"], ["groove"]]);
  pieces.slice(1).forEach((p, k) => assert.ok(p.from >= pieces[k].to - 1e-9));
});

test("room for marks is given only where there are any", () => {
  const bare = layoutSheet(song(4), 1000, 4, ROWS);
  assert.equal(bare.marksY, bare.countsY);
  assert.ok(layoutSheet(song(4, fill([0, "0"], [1, "0"])), 1000, 4, ROWS).countsY > bare.countsY);
});

test("marks are said as players say places", () => {
  const chart = song(8, groove([0, "0"], [8, "0"], { text: "rock", confirmed: true }), fill([3, "5/8"], [4, "0"]),
    fill([4, "1/2"], [5, "1/4"], { confirmed: true }), fill([6, "0"], [7, "0"]),
    groove([7, "1/4"], [7, "1/2"], { confirmed: true }));
  const said = (bar) => marks.describeMarks(chart, bar);
  assert.deepEqual(said(0), ["groove to bar 8: rock"]);
  assert.deepEqual(said(1), []);
  assert.deepEqual(said(3), ["proposed fill from the & of 3 to the end"]);
  assert.deepEqual(said(4), ["fill from 3 into the next bar"]);
  assert.deepEqual(said(5), ["fill goes on up to 2"]);
  assert.deepEqual(said(6), ["proposed fill of the whole bar"]);
  assert.deepEqual(said(7), ["no fill from 2 up to 3"]);
});
