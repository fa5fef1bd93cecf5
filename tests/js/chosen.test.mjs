// Chosen hits: one edit for all of them, none in another's way.
import assert from "node:assert/strict";
import test from "node:test";
import * as chosen from "../../workbench/grid/js/chosen.js";
import { showAtOnce } from "../../workbench/grid/js/edits.js";

const note = (at, instrument, more = {}) => ({ at, instrument, velocity: 80, ...more });
const CHART = {
  time_map: { bars: [0, 1, 2].map((k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => k * 4 + b) })), end_s: 12 },
  bars: [{ notes: [note("0", "kick"), note("1/16", "kick"), note("1/4", "snare", { confidence: 0.4, deviation_s: 0.01 })] },
    { notes: [note("1/4", "snare"), note("1/2", "kick")] }, { notes: [] }],
};
const KIT = { snare: { articulations: ["accent", "flam", "ghost", "rim shot"] }, kick: { articulations: ["accent", "ghost"] } };
const all = () => chosen.hitsOf(CHART, [0, 2]);
const shown = (chart, bar) => chart.bars[bar].notes.map((n) => `${n.at} ${n.instrument}`);

test("a command means the chosen hits, else the selected bars, else the hit at the cursor", () => {
  const view = { chart: CHART, chosen: chosen.chosenOf(all().slice(0, 2)), selection: [1, 1],
    cursor: { bar: 0, at: "1/4", instrument: "snare" } };
  const meant = () => chosen.hitsMeant(view).map((h) => `${h.bar} ${h.note.at}`);
  assert.deepEqual(meant(), ["0 0", "0 1/16"]);
  view.chosen = new Map();
  assert.deepEqual(meant(), ["1 1/4", "1 1/2"]);
  view.selection = null;
  assert.deepEqual(meant(), ["0 1/4"]);
});

test("hits that move in a row do not overwrite each other", () => {
  const kicks = chosen.hitsOf(CHART, [0, 0], (n) => n.instrument === "kick");
  const on = { 0: "1/16", "1/16": "1/8" };
  const { edit, places } = chosen.moveEdit(kicks, (p) => ({ ...p, at: on[p.at] }), "move");
  assert.deepEqual(shown(showAtOnce(CHART, edit), 0), ["1/16 kick", "1/8 kick", "1/4 snare"]);
  assert.deepEqual(places.map((p) => p.at), ["1/16", "1/8"]);
  // Where one of them has nowhere to go, none goes.
  assert.equal(chosen.moveEdit(all(), (p) => (p.bar ? null : p), "over the edge"), null);
});

test("an articulation goes to those that can have it, and off where all of them do", () => {
  const on = chosen.articulateEdit(all(), "rim shot", KIT);
  assert.deepEqual(on.edits.map((e) => e.instrument), ["snare", "snare"]);
  const after = showAtOnce(CHART, on);
  const off = chosen.articulateEdit(chosen.hitsOf(after, [0, 2]), "rim shot", KIT);
  assert.deepEqual(off.edits.map((e) => e.articulations), [[], []]);
  const [kick] = all();
  assert.equal(chosen.articulateEdit([kick], "flam", KIT), null);
  const ghost = { bar: 0, note: note("0", "snare", { articulations: ["flam", "ghost"] }) };
  assert.deepEqual(chosen.articulateEdit([ghost], "accent", KIT).articulations, ["accent", "flam"]);
});

test("copied hits keep their distances over bar lines, without the feel or the doubt of where they came from", () => {
  const copied = chosen.copyOf(CHART, chosen.hitsOf(CHART, [0, 1], (n) => n.instrument === "snare"));
  const { edit, places } = chosen.pasteHitsEdit(CHART, copied, { bar: 1, at: "1/8", instrument: "snare" });
  assert.deepEqual(places.map((p) => [p.bar, p.at]), [[1, "1/8"], [2, "1/8"]]);
  assert.deepEqual(edit.edits[0].note, { at: "1/8", instrument: "snare", velocity: 80, confirmed: true });
  // What would lie past the end is left out.
  assert.equal(chosen.pasteHitsEdit(CHART, copied, { bar: 2, at: "0", instrument: "snare" }).places.length, 1);
});

test("hits are repeated as many whole beats later as they take", () => {
  const beat = chosen.repeatHitsEdit(CHART, all().slice(0, 2));
  assert.deepEqual(beat.places.map((p) => p.at), ["1/4", "5/16"]);
  const two = chosen.repeatHitsEdit(CHART, all().slice(0, 3));
  assert.deepEqual(two.places.map((p) => p.at), ["1/2", "9/16", "3/4"]);
});

test("hits go to the same place of every bar that lacks them", () => {
  const [first] = chosen.hitsOf(CHART, [0, 0], (n) => n.instrument === "snare");
  const { places } = chosen.everyBarEdit(CHART, [first], [0, 2]);
  assert.deepEqual(places.map((p) => [p.bar, p.at]), [[2, "1/4"]]);
  assert.equal(chosen.everyBarEdit(CHART, [first], [0, 1]), null);
});

test("a row is filled on every beat, then finer", () => {
  const beats = chosen.fillRowEdit(CHART, "ride", [0, 0]);
  assert.deepEqual([beats.parts, beats.places.map((p) => p.at)], [1, ["0", "1/4", "1/2", "3/4"]]);
  const halves = chosen.fillRowEdit(showAtOnce(CHART, beats.edit), "ride", [0, 0]);
  assert.deepEqual([halves.parts, halves.places.map((p) => p.at)], [2, ["1/8", "3/8", "5/8", "7/8"]]);
  // What is there stays: a snare on 2.
  assert.deepEqual(chosen.fillRowEdit(CHART, "snare", [1, 1]).places.map((p) => p.at), ["0", "1/2", "3/4"]);
});
