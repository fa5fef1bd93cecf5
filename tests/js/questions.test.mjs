// What the draft asks: one stop for each place, one question for bars that are alike.
import assert from "node:assert/strict";
import test from "node:test";
import { timeOf } from "../../workbench/grid/js/chart.js";
import { showAtOnce } from "../../workbench/grid/js/edits.js";
import { possibleByBar } from "../../workbench/grid/js/possible.js";
import { alikeTo, areAlike, besideIn, questionsOf, rivalsOf, stopsOf } from "../../workbench/grid/js/questions.js";

const hit = (at, instrument, confidence = 1) => ({ at, instrument, velocity: 80, confidence });
const groove = ["0", "1/4", "1/2", "3/4"].flatMap((at) => [hit(at, "kick"), hit(at, "ride")]);
const fill = ["1/16", "3/16", "5/16", "7/16"].map((at) => hit(at, "floor tom"));
const ROWS = new Map(["crash", "open hi-hat", "closed hi-hat", "high tom", "snare"].map((name, k) => [name, k]));
const BELOW = 0.75;

function song(bars, possible = []) {
  return {
    time_map: { bars: bars.map((_, k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => k * 4 + b) })), end_s: bars.length * 4 },
    bars: bars.map((notes) => ({ notes })),
    possible_hits: possible.map(([bar, at, instrument]) => ({ time_s: 4 * (bar + at), instrument, velocity: 60, probability: 0.4 })),
  };
}
const of = (chart) => [chart, timeOf(chart.time_map), BELOW];
const stops = (chart) => stopsOf(...of(chart), ROWS).map((s) => [s.bar, s.at, ...s.asked.map((p) => p.instrument)]);

test("bars that share three of five hits are alike, those of another meter are not", () => {
  const chart = song([groove, groove.slice(0, 4), groove.slice(0, 3), fill, []]);
  assert.deepEqual([1, 2, 3, 4].map((b) => areAlike(chart, 0, b)), [true, false, false, false]);
  chart.time_map.bars[1].meter = "2/2";
  assert.equal(areAlike(chart, 0, 1), false);
});

test("what lies at one place is one stop, and what is asked in bars alike is asked once", () => {
  const possible = [0, 1, 2].flatMap((bar) => [[bar, 0.3125, "snare"], [bar, 0.3125, "high tom"]]);
  const chart = song([groove, groove, fill, groove], [...possible, [3, 0.3125, "snare"], [1, 0, "crash"]]);
  assert.deepEqual(stops(chart), [[0, "5/16", "high tom", "snare"], [1, "0", "crash"], [2, "5/16", "high tom", "snare"]]);
  const snare = { bar: 0, at: "5/16", instrument: "snare" };
  assert.deepEqual(alikeTo(...of(chart), snare).map((p) => p.bar), [1, 3]);
  assert.deepEqual(besideIn(...of(chart), snare), ["high tom"]);
  const answered = showAtOnce(chart, { edit: "refuse possible hit", time_s: 1.25, instrument: "snare" });
  assert.deepEqual(stops(answered), [[0, "5/16", "high tom"], [1, "0", "crash"], [1, "5/16", "snare"], [2, "5/16", "high tom", "snare"]]);
});

test("of two sounds of one drum an answer for one settles both; undone, both are asked again", () => {
  const closed = [...groove, hit("1/8", "closed hi-hat", 0.5)];
  const chart = song([closed, closed], [[0, 0.125, "open hi-hat"], [1, 0.125, "open hi-hat"]]);
  assert.deepEqual(stops(chart), [[0, "1/8", "closed hi-hat", "open hi-hat"]], "what is written first");
  assert.equal(questionsOf(...of(chart)).length, 2);
  const kept = showAtOnce(chart, { edit: "change note", bar_index: 0, position: "1/8", instrument: "closed hi-hat", confirmed: true });
  assert.deepEqual(stops(kept), [[1, "1/8", "closed hi-hat", "open hi-hat"]]);
  assert.equal(kept.possible_hits.length, 2);
  const written = showAtOnce(chart, { edit: "accept possible hit", time_s: 0.5, instrument: "open hi-hat" });
  assert.deepEqual(written.bars[0].notes.filter((n) => n.at === "1/8").map((n) => [n.instrument, n.confirmed]), [["open hi-hat", true]]);
  assert.deepEqual(stops(written), [[1, "1/8", "closed hi-hat", "open hi-hat"]]);
  const done = showAtOnce(chart, { edit: "set done", first_bar: 0, last_bar: 0, done: true });
  assert.deepEqual([...possibleByBar(done, timeOf(done.time_map)).keys()], [1]);
});

test("where the other sound of a drum is asked in bars alike is known: written or possible, its own sound not asked there", () => {
  const hat = (name, confidence = 0.5) => [...groove, hit("1/8", name, confidence)];
  const closed = { bar: 0, at: "1/8", instrument: "closed hi-hat" };
  const chart = song([hat("closed hi-hat"), hat("open hi-hat"), hat("open hi-hat", 0.9), [...fill, hit("1/8", "open hi-hat", 0.5)], hat("closed hi-hat"),
    [...hat("closed hi-hat"), hit("1/8", "open hi-hat", 0.5)]]);
  assert.deepEqual(rivalsOf(...of(chart), closed, false), [{ bar: 1, at: "1/8", instrument: "open hi-hat" }]);
  assert.deepEqual(rivalsOf(...of(chart), closed, true), []);
  const possible = song([groove, groove, groove, groove], [[0, 0.125, "closed hi-hat"], [1, 0.125, "open hi-hat"], [2, 0.25, "open hi-hat"], [3, 0.125, "crash"]]);
  assert.deepEqual(rivalsOf(...of(possible), closed, true), [{ bar: 1, at: "1/8", instrument: "open hi-hat" }]);
});
