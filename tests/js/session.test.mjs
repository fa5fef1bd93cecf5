// What the page shows while Python has not answered, and after.
import assert from "node:assert/strict";
import test from "node:test";
import { Session } from "../../workbench/grid/js/session.js";
import { isBeingWeighed } from "../../workbench/grid/js/bars.js";
import { pasteEdit } from "../../workbench/grid/js/edits.js";
import { SHORTCUTS, keyName, shortcutOf } from "../../workbench/grid/js/keys.js";

const CHART = {
  sections: [], kit: [], title: "",
  time_map: { bars: [0, 1].map((k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => k * 4 + b) })), end_s: 8 },
  bars: [{ notes: [{ at: "0", instrument: "kick", velocity: 80, confidence: 0.4 }] }, { notes: [] }],
};
const ADD = { edit: "add note", bar_index: 1, note: { at: "1/4", instrument: "snare", velocity: 80, confirmed: true } };

function open() {
  const sent = [];
  const session = new Session((m) => sent.push(m), "me");
  session.hello();
  session.receive({ type: "snapshot", chart: CHART, whole: true, revision: 5, info: {} });
  return { session, sent };
}
const instruments = (s, bar) => s.chart.bars[bar].notes.map((n) => n.instrument);

test("an edit shows at once and is pending until answered", () => {
  const { session } = open();
  session.edit(ADD);
  assert.deepEqual(instruments(session, 1), ["snare"]);
  assert.equal(session.confirmed.bars[1].notes.length, 0);
  session.receive({ type: "change", revision: 6, client: "me", seq: 1, parts: { bars: { 1: { notes: [ADD.note] } } } });
  assert.equal(session.pending.length, 0);
  assert.deepEqual(instruments(session, 1), ["snare"]);
});

test("a long chart comes in pieces; what is done meanwhile waits on top", () => {
  const session = new Session(() => {}, "me");
  const first = { ...CHART, bars: [CHART.bars[0], { notes: [] }] };
  session.receive({ type: "snapshot", chart: first, whole: false, revision: 5, info: {} });
  session.edit({ edit: "remove note", bar_index: 0, position: "0", instrument: "kick" });
  assert.equal(session.whole, false);
  session.receive({ type: "bars", revision: 4, whole: true, first: 1, bars: [CHART.bars[0]] });
  assert.deepEqual(instruments(session, 1), []);
  session.receive({ type: "bars", revision: 5, whole: true, first: 1, bars: [{ notes: [ADD.note] }] });
  assert.equal(session.whole, true);
  assert.deepEqual([instruments(session, 0), instruments(session, 1)], [[], ["snare"]]);
  assert.equal(session.confirmed.bars.length, 2);
});

test("advice on the bars is old once they change, until the next comes", () => {
  const { session } = open();
  assert.equal(isBeingWeighed(session), false, "there is none");
  const advice = { type: "info", info: { bars: { now: "4/4 at 60", others: [], faults: [] } } };
  session.receive(advice);
  session.receive({ type: "change", revision: 6, parts: { bars: { 0: { notes: [] } } } });
  assert.equal(isBeingWeighed(session), false, "a hit is no other bar");
  session.receive({ type: "change", revision: 7, parts: { time_map: { ...CHART.time_map } } });
  assert.equal(isBeingWeighed(session), true);
  session.receive(advice);
  assert.equal(isBeingWeighed(session), false);
});

test("a refused edit disappears and says why", () => {
  const { session } = open();
  session.edit(ADD);
  session.receive({ type: "refused", client: "me", seq: 1, error: "No such bar." });
  assert.deepEqual(instruments(session, 1), []);
  assert.equal(session.error, "No such bar.");
});

test("another view's change keeps our pending edit on top", () => {
  const { session } = open();
  session.edit(ADD);
  session.receive({ type: "change", revision: 6, parts: { bars: { 0: { notes: [] } } } });
  assert.deepEqual([instruments(session, 0), instruments(session, 1)], [[], ["snare"]]);
  assert.equal(session.pending.length, 1);
});

test("a gap in the revisions asks for everything; unanswered edits are sent again until they are answered", () => {
  const { session, sent } = open();
  session.edit(ADD);
  session.edit({ edit: "remove note", bar_index: 0, position: "0", instrument: "kick" });
  const before = sent.length;
  session.receive({ type: "change", revision: 9, parts: {} });
  assert.equal(sent[before].type, "hello");
  const chart = { ...CHART, bars: [CHART.bars[0], { notes: [ADD.note] }] };
  session.receive({ type: "snapshot", chart, whole: true, revision: 9, info: {} });
  assert.deepEqual(sent.slice(before + 1).map((m) => m.seq), [1, 2]);
  session.receive({ type: "answer", client: "me", seq: 1 });
  assert.deepEqual(session.pending.map((p) => p.seq), [2]);
  assert.deepEqual([instruments(session, 0), instruments(session, 1)], [[], ["snare"]]);
});

test("what is not answered is asked for again, ever less often while nothing comes", () => {
  const { session, sent } = open();
  const asks = () => sent.filter((m) => m.type === "hello").length;
  session.askAgain(60000);
  assert.equal(asks(), 1, "nothing is wanted");
  session.edit(ADD);
  session.asked = session.pending[0].since = 0;
  const at = [];
  for (let ms = 0; ms <= 60000; ms += 1000) {
    const before = asks();
    session.askAgain(ms);
    if (asks() > before) at.push(ms);
  }
  assert.deepEqual(at, [5000, 14000, 31000, 52000]);
  session.receive({ type: "info", info: {} });
  session.askAgain(57000);
  assert.equal(asks(), 6, "something came, so the next wait is short");
});

test("messages of an edit stay under a kilobyte", () => {
  const { session, sent } = open();
  session.edit(ADD);
  session.edit({ edit: "move note", bar_index: 0, position: "0", instrument: "kick", to_bar_index: 1, to_position: "15/16",
    to_instrument: "closed hi-hat" });
  for (const m of sent.slice(1)) assert.ok(JSON.stringify(m).length <= 1000);
});

test("moving takes articulations and velocity along", () => {
  const { session } = open();
  session.edit({ edit: "change note", bar_index: 0, position: "0", instrument: "kick", velocity: 99,
    articulations: ["accent"] });
  session.edit({ edit: "move note", bar_index: 0, position: "0", instrument: "kick", to_bar_index: 1, to_position: "1/2",
    to_instrument: "floor tom" });
  assert.deepEqual(session.chart.bars[1].notes,
    [{ at: "1/2", instrument: "floor tom", velocity: 99, articulations: ["accent"], confirmed: true }]);
});

test("pasting repeats what was copied and stops at the end of the chart", () => {
  const edit = pasteEdit(CHART, CHART.bars.slice(0, 1), 0, 7);
  assert.equal(edit.bars.length, 2);
  assert.ok(edit.bars.every((b) => b.notes[0].confirmed && b.notes[0].confidence === undefined));
  assert.equal(pasteEdit(CHART, CHART.bars, 2), null);
});

test("no key means two things, and every shortcut is told in the list", () => {
  const keys = SHORTCUTS.flatMap((g) => g.shortcuts.flatMap((s) => s.keys));
  assert.equal(new Set(keys).size, keys.length);
  for (const { shortcuts } of SHORTCUTS) assert.ok(shortcuts[0].does);
});

test("keys are told apart by Ctrl, Alt and Shift", () => {
  const press = (key, mods = {}) => ({ key, ctrlKey: false, metaKey: false, altKey: false, shiftKey: false, ...mods });
  assert.equal(keyName(press("z")), "z");
  assert.equal(keyName(press("Z", { shiftKey: true })), "Shift+Z");
  assert.equal(keyName(press("z", { metaKey: true })), "Ctrl+Z");
  assert.equal(shortcutOf(press("Z", { ctrlKey: true, shiftKey: true })).command, "redo");
  assert.equal(shortcutOf(press("+", { shiftKey: true })).command, "louder");
  assert.equal(shortcutOf(press("ArrowLeft", { altKey: true })).command, "move left");
  assert.equal(shortcutOf(press("F5")), undefined);
});
