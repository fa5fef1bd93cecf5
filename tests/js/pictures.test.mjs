// A line of the sheet is drawn anew where something in it has changed, and only there.
import assert from "node:assert/strict";
import test from "node:test";
import { LinePictures } from "../../workbench/grid/js/line_pictures.js";
import { showAtOnce, withChange } from "../../workbench/grid/js/edits.js";

class Canvas {
  constructor(width, height) {
    Object.assign(this, { width, height });
  }

  getContext() {
    return { setTransform() {} };
  }
}
globalThis.OffscreenCanvas = /** @type {any} */ (Canvas);

const CHART = {
  sections: [], texts: [], marks: [], time_map: {},
  bars: Array.from({ length: 8 }, (_, k) => ({ notes: [{ at: "0", instrument: "kick", velocity: 80 + k }] })),
};
const SHEET = { width: 800, lineHeight: 200 };
const LINES = [0, 1].map((index) => ({ index, first: 4 * index, last: 4 * index + 4 }));
const STATE = { sheet: SHEET, palette: {}, ratio: 1, rows: ["snare", "kick"], kit: {}, doubtBelow: 0.8, sound: { stamp: 0 }, hoverRow: -1,
  chart: CHART, cursor: { bar: 0, at: "0", instrument: "kick" }, focused: true, selection: null, heardBar: undefined,
  chosen: new Map(), drag: null, faults: [] };

/** Which lines are drawn anew when the state has become another. */
function drawn(change) {
  const lines = [];
  const pictures = new LinePictures((_g, _state, line) => lines.push(line.index));
  LINES.forEach((line) => pictures.of(STATE, line));
  lines.length = 0;
  LINES.forEach((line) => pictures.of({ ...STATE, ...change }, line));
  return lines;
}

test("what has not changed is not drawn again", () => assert.deepEqual(drawn({}), []));

test("an edit draws its line, and Python's answer that says the same draws none", () => {
  const edit = { edit: "add note", bar_index: 5, note: { at: "1/4", instrument: "snare", velocity: 80, confirmed: true } };
  const shown = showAtOnce(CHART, edit);
  assert.deepEqual(drawn({ chart: shown }), [1]);
  const answered = withChange(CHART, { bars: { 5: structuredClone(shown.bars[5]) } }, shown);
  assert.equal(answered.bars[5], shown.bars[5]);
  const other = withChange(CHART, { bars: { 5: { notes: [] } } }, shown);
  assert.deepEqual(other.bars[5].notes, []);
});

test("cursor, selection, what sounds and a bar line that is drawn change the lines that hold them", () => {
  assert.deepEqual(drawn({ cursor: { bar: 6, at: "0", instrument: "kick" } }), [0, 1]);
  assert.deepEqual(drawn({ selection: [5, 6] }), [1]);
  assert.deepEqual(drawn({ selection: [3, 4] }), [0, 1]);
  assert.deepEqual(drawn({ heardBar: 0 }), [0]);
  assert.deepEqual(drawn({ drag: { barLine: 5, line: 1, x: 40 } }), [1]);
  assert.deepEqual(drawn({ faults: [{ first_bar: 4, last_bar: 7 }] }), [1]);
});

test("what every line shows changes all", () => {
  for (const change of [{ palette: {} }, { ratio: 2 }, { sheet: { ...SHEET } }, { doubtBelow: 0.5 }, { sound: { stamp: 1 } },
    { chart: { ...CHART, time_map: {} } }, { rows: ["snare"] }, { chosen: new Map([["0 0 kick", {}]]) }]) {
    assert.deepEqual(drawn(change), [0, 1], JSON.stringify(change));
  }
});

test("a few lines are kept, those used last", () => {
  let count = 0;
  const pictures = new LinePictures(() => { count += 1; });
  const lines = Array.from({ length: 30 }, (_, index) => ({ index, first: 0, last: 1 }));
  lines.forEach((line) => pictures.of(STATE, line));
  const last = lines.slice(-12);
  count = 0;
  last.forEach((line) => pictures.of(STATE, line));
  assert.equal(count, 0);
  pictures.of(STATE, lines[0]);
  assert.equal(count, 1);
});
