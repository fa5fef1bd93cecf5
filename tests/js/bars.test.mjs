/** Where lines and hits disagree among the doubts, and how a reading is heard. */
import assert from "node:assert/strict";
import test from "node:test";
import { timeOf } from "../../workbench/grid/js/chart.js";
import { showAtOnce } from "../../workbench/grid/js/edits.js";
import { faultBars, faultWords, levelsOf, samePlaceHeard, soundOf, withFaults } from "../../workbench/grid/js/bars.js";

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

/** Bars of 4/4, a beat as long as `beat_s`, with hits: [bar, at, instrument, deviation_s]; a hi-hat is possible at 5.01 s. */
function laid(first_s, beat_s, ...hits) {
  const count = Math.floor((16 - first_s) / (4 * beat_s));
  const bars = Array.from({ length: count }, (_, k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => first_s + (4 * k + b) * beat_s) }));
  const song = { bars: bars.map((_, k) => ({ notes: hits.filter(([bar]) => bar === k).map(([, at, instrument, deviation_s]) => ({ at, instrument, deviation_s })) })),
    time_map: { bars, end_s: first_s + 4 * count * beat_s }, possible_hits: [{ time_s: 5.01, instrument: "closed hi-hat" }] };
  return { chart: song, time: timeOf(song.time_map) };
}

test("the cursor stays with its hit, its possible hit or its time where other bars are laid", () => {
  // Kick at 7.98 s, 20 ms before the line of the third bar or, a beat later, of beat 4 of the second.
  const before = laid(0, 1, [2, "0", "kick", -0.02], [1, "0", "kick", 0]);
  const kick = { bar: 2, at: "0", instrument: "kick" };
  assert.deepEqual(samePlaceHeard(kick, before, laid(1, 1, [1, "3/4", "kick", -0.02])), { bar: 1, at: "3/4", instrument: "kick" });
  assert.deepEqual(samePlaceHeard(kick, before, laid(0, 2, [1, "0", "kick", -0.02])), { bar: 1, at: "0", instrument: "kick" });
  assert.deepEqual(samePlaceHeard(kick, before, laid(0, 0.5, [4, "0", "kick", -0.02])), { bar: 4, at: "0", instrument: "kick" });
  const possible = { bar: 1, at: "1/4", instrument: "closed hi-hat" };
  assert.deepEqual(samePlaceHeard(possible, before, laid(0, 2)), { bar: 0, at: "5/8", instrument: "closed hi-hat" });
  assert.deepEqual(samePlaceHeard({ bar: 1, at: "1/2", instrument: "snare" }, before, laid(1, 1)), { bar: 1, at: "1/4", instrument: "snare" });
  assert.deepEqual(samePlaceHeard(kick, before, before), kick);
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
