/** Where lines and hits disagree among the doubts, and how a reading is heard. */
import assert from "node:assert/strict";
import test from "node:test";
import { showAtOnce } from "../../workbench/grid/js/edits.js";
import { faultBars, faultWords, levelsOf, soundOf, withFaults } from "../../workbench/grid/js/bars.js";

const chart = { bars: Array(12).fill({ notes: [] }), time_map: { bars: Array(12).fill({ meter: "4/4" }) } };
const fault = (first_bar, last_bar) => ({ first_bar, last_bar, words: "the 1 lies a beat late", mends: "1 a beat earlier" });
const session = (...faults) => ({ chart, info: { bars: { now: "4/4 at 96", others: [], faults } } });

test("a disagreement is a stop among the doubts, at the beginning of its first bar", () => {
  const doubts = [{ bar: 2, at: "1/4", instrument: "snare" }, { bar: 5, at: "0", instrument: "kick" }];
  const view = { session: session(fault(5, 9), fault(11, 11)), rows: ["crash", "kick"] };
  const stops = withFaults(view, doubts);
  assert.deepEqual(stops.map((s) => [s.bar, s.instrument]), [[2, "snare"], [5, "crash"], [5, "kick"], [11, "crash"]]);
  assert.equal(doubts.length, 2);
});

test("bars that are gone by now are not told", () => {
  assert.equal(faultWords(session(fault(10, 14))), "");
  assert.match(faultWords(session(fault(0, 3))), /^1 place where/);
  assert.equal(faultWords({ chart, info: {} }), "");
});

test("bars in words", () => {
  assert.equal(faultBars(chart, fault(3, 3)), "Bar 4");
  assert.equal(faultBars(chart, fault(3, 7)), "Bars 4 to 8");
});

test("a reading is heard with its own click, and without the chart", () => {
  const settings = { drums: { level: 0.7 }, chart: { level: 0.5, pan: 0 }, click: { level: 0, pan: 0 } };
  assert.equal(levelsOf(settings, { start_s: 0 }), settings);
  const heard = levelsOf(settings, { reading: 2 });
  assert.equal(heard.chart.level, 0);
  assert.ok(heard.click.level > 0.5 && heard.drums.level === 0.7);
  assert.equal(soundOf("click", { reading: 2 }), "reading 2");
  assert.equal(soundOf("click", { reading: -1 }), "click");
  assert.equal(soundOf("recording", { reading: 2 }), "recording");
});

test("an edit of a bar that was taken out meanwhile changes nothing", () => {
  assert.equal(showAtOnce(chart, { edit: "set subdivisions", bar_index: 12, subdivisions: [4] }), chart);
});
