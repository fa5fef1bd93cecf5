// A doubt answered once: the same answer wherever the same question is open in bars that are alike.
import assert from "node:assert/strict";
import test from "node:test";
import { alikeEdit, answerIn, openIn, stands } from "../../workbench/grid/js/alike.js";
import { timeOf } from "../../workbench/grid/js/chart.js";
import { showAtOnce } from "../../workbench/grid/js/edits.js";
import { doubtWords } from "../../workbench/grid/js/possible.js";

const hit = (at, instrument, confidence, more = {}) => ({ at, instrument, velocity: 80, confidence, ...more });
const bars = [
  [hit("0", "ride", 0.4), hit("1/2", "kick", 0.5)],
  [hit("0", "ride", 0.9), hit("1/2", "kick", 0.6)],
  [hit("0", "ride", 0.5), hit("1/2", "kick", 0.3, { confirmed: true })],
];
const CHART = {
  time_map: { bars: bars.map((_, k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => k * 4 + b) })), end_s: 12 },
  bars: bars.map((notes) => ({ notes })),
  possible_hits: [1, 5, 9.02].map((time_s) => ({ time_s, instrument: "snare", velocity: 60, probability: 0.4 })),
};
const TIME = timeOf(CHART.time_map);
const BELOW = 0.75;
const answer = (edit) => answerIn(CHART, TIME, BELOW, edit);
const places = (doubts) => doubts.map((d) => d.bar);
const open = (chart, given) => openIn(chart, timeOf(chart.time_map), BELOW, given);

test("what is taken out, kept or given to another drum is offered for the same hit in doubt, not for sure or kept ones", () => {
  const out = answer({ edit: "remove note", bar_index: 0, position: "1/2", instrument: "kick" });
  const after = showAtOnce(CHART, { edit: "remove note", bar_index: 0, position: "1/2", instrument: "kick" });
  assert.deepEqual(open(after, out).map((a) => places(a.doubts)), [[1]]);
  const renamed = answer({ edit: "move note", bar_index: 0, position: "0", instrument: "ride", to_bar_index: 0,
    to_position: "0", to_instrument: "crash" });
  assert.equal(renamed.to, "crash");
  const [{ doubts }] = open(CHART, renamed);
  assert.deepEqual(places(doubts), [2]);
  const alike = showAtOnce(CHART, alikeEdit(doubts, renamed.to));
  assert.deepEqual(alike.bars.map((b) => b.notes[0].instrument), ["ride", "ride", "crash"]);
  const kept = answer({ edit: "change note", bar_index: 0, position: "0", instrument: "ride", confirmed: true });
  assert.equal(kept.to, "keep");
});

test("a possible hit written or refused is offered wherever it is possible too, one written by hand likewise", () => {
  for (const [edit, to] of [["accept possible hit", "write"], ["refuse possible hit", "refuse"]]) {
    const found = answer({ edit, time_s: 5, instrument: "snare" });
    const others = [0, 2].map((bar) => ({ bar, at: "1/4", instrument: "snare" }));
    assert.deepEqual(found, { bar: 1, at: "1/4", instrument: "snare", to, time_s: 5, others, rivals: [] });
    const made = alikeEdit(open(CHART, found)[0].doubts, to);
    assert.deepEqual(made.edits.map((e) => [e.edit, e.time_s]), [[edit, 1], [edit, 9.02]]);
  }
  const written = answer({ edit: "add note", bar_index: 0, note: hit("1/4", "snare", 1) });
  assert.deepEqual(open(CHART, written).map((a) => places(a.doubts)), [[1, 2]]);
});

test("an answer stands until the chart is no longer as it left it", () => {
  const out = { edit: "remove note", bar_index: 0, position: "1/2", instrument: "kick" };
  const renamed = { edit: "move note", bar_index: 0, position: "0", instrument: "ride", to_bar_index: 0, to_position: "0", to_instrument: "crash" };
  const kept = { edit: "change note", bar_index: 0, position: "0", instrument: "ride", confirmed: true };
  const refused = { edit: "refuse possible hit", time_s: 5, instrument: "snare" };
  const written = { edit: "add note", bar_index: 0, note: hit("1/4", "snare", 1) };
  for (const edit of [out, renamed, kept, refused, written]) {
    const found = answer(edit);
    assert.ok(stands(showAtOnce(CHART, edit), found), edit.edit);
    assert.ok(!stands(CHART, found), `${edit.edit} taken back`);
  }
});

test("what is in doubt and what is possible have each a word", () => {
  assert.equal(doubtWords(2, 0), "2 in doubt");
  assert.equal(doubtWords(0, 2), "2 possible");
  assert.equal(doubtWords(1, 3, true), "1 hit in doubt, 3 possible");
  assert.equal(doubtWords(0, 0), "");
});

test("what was not in doubt, moved in time or only made louder is no answer", () => {
  assert.equal(answer({ edit: "remove note", bar_index: 1, position: "0", instrument: "ride" }), null);
  assert.equal(answer({ edit: "move note", bar_index: 0, position: "0", instrument: "ride", to_bar_index: 0,
    to_position: "1/16", to_instrument: "ride" }), null);
  assert.equal(answer({ edit: "change note", bar_index: 0, position: "0", instrument: "ride", velocity: 100, confirmed: true }), null);
  assert.equal(answer({ edit: "set bars", first_bar: 0, bars: [] }), null);
});

/** Bars alike in which the hi-hat on "& of 1" is closed or open, written in doubt or possible. */
function hats(names, possible) {
  const kicks = ["0", "1/4", "1/2", "3/4"].map((at) => hit(at, "kick", 1));
  return { ...CHART, time_map: { bars: names.map((_, k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => k * 4 + b) })), end_s: 4 * names.length },
    bars: names.map((name) => ({ notes: possible ? kicks : [...kicks, hit("1/8", name, 0.5)] })),
    possible_hits: possible ? names.map((instrument, k) => ({ time_s: 4 * k + 0.5, instrument, velocity: 60, probability: 0.4 })) : [] };
}
const [closed, opened] = ["closed hi-hat", "open hi-hat"];
const there = { bar_index: 0, position: "1/8", instrument: closed };
const ANSWERS = [
  ["keep", false, { edit: "change note", ...there, confirmed: true }, closed],
  ["remove", false, { edit: "remove note", ...there }, "remove"],
  [opened, false, { edit: "move note", ...there, to_bar_index: 0, to_position: "1/8", to_instrument: opened }, "keep"],
  ["write", true, { edit: "accept possible hit", time_s: 0.5, instrument: closed }, closed],
  ["refuse", true, { edit: "refuse possible hit", time_s: 0.5, instrument: closed }, "refuse"],
];

test("an answer says what its drum's other sound is to be in bars that are alike, after its own", () => {
  for (const [to, possible, edit, theirs] of ANSWERS) {
    const chart = hats([closed, opened, closed, opened], possible);
    const given = answerIn(chart, timeOf(chart.time_map), BELOW, edit);
    let after = showAtOnce(chart, edit);
    assert.deepEqual(open(after, given).map((a) => [a.instrument, a.to, places(a.doubts)]), [[closed, to, [2]], [opened, theirs, [1, 3]]]);
    for (const { doubts, to: what } of open(after, given)) after = showAtOnce(after, alikeEdit(doubts, what));
    const left = after.bars.map((b) => b.notes.filter((n) => n.at === "1/8").map((n) => [n.instrument, n.confirmed]));
    const wanted = { keep: [[closed, true]], write: [[closed, true]], [opened]: [[opened, true]] }[to] ?? [];
    assert.deepEqual(left, Array(4).fill(wanted), to);
    assert.deepEqual(open(after, given), [], to);
  }
});
