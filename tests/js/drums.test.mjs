// The drums of the chart as a whole: counted, meant, told of once.
import assert from "node:assert/strict";
import test from "node:test";
import { timeOf } from "../../workbench/grid/js/chart.js";
import { chosenOf, hitsOf } from "../../workbench/grid/js/chosen.js";
import { doubtedWords, drumWords, drumsOf, isToAsk, nameEdit, soundIn, soundOf, soundsWords, stretchOf } from "../../workbench/grid/js/drums.js";

const KIT = { crash: {}, ride: {}, snare: {}, kick: {} };
const hit = (at, instrument, confidence, confirmed) => ({ at, instrument, velocity: 80, confidence, ...(confirmed ? { confirmed } : {}) });
const bar = ["0", "1/4", "1/2", "3/4"].flatMap((at) => [hit(at, "kick", 0.9), hit(at, "ride", 0.4)]);
const CHART = {
  time_map: { bars: [0, 1, 2].map((k) => ({ meter: "4/4", beats_s: [0, 1, 2, 3].map((b) => k * 4 + b) })), end_s: 12 },
  bars: [{ notes: bar }, { notes: bar }, { notes: [hit("0", "snare", 0.3, true)] }],
  possible_hits: [{ time_s: 9, instrument: "crash", velocity: 60, probability: 0.4 }],
};
const of = (stretch) => drumsOf(CHART, timeOf(CHART.time_map), 0.75, stretch, KIT);
const view = (more = {}) => ({ chart: CHART, chosen: new Map(), selection: null, ...more });

test("drums are counted in the order of the rows, in the bars or among the hits that are meant", () => {
  assert.deepEqual(of(stretchOf(view())).map((d) => [d.name, drumWords(d)]), [["crash", "1 possible"],
    ["ride", "8 hits, 8 in doubt"], ["snare", "1 hit, 1 confirmed"], ["kick", "8 hits"]]);
  assert.deepEqual(of(stretchOf(view({ selection: [1, 2] }))).map((d) => d.hits), [0, 4, 1, 4]);
  const chosen = chosenOf(hitsOf(CHART, [0, 1], (n) => n.at === "1/4"));
  assert.deepEqual(of(stretchOf(view({ chosen, selection: [2, 2] }))).map((d) => [d.name, d.hits]), [["ride", 2], ["kick", 2]]);
});

test("an act is for the song, the selected bars, or the drum's own among the chosen hits", () => {
  assert.deepEqual(nameEdit("ride", "crash", stretchOf(view())),
    { edit: "name drum", old: "ride", new: "crash", first_bar: 0, last_bar: 2 });
  assert.deepEqual(nameEdit("ride", "", stretchOf(view({ selection: [1, 2] }))),
    { edit: "name drum", old: "ride", new: "", first_bar: 1, last_bar: 2 });
  const chosen = chosenOf(hitsOf(CHART, [0, 1], (n) => n.at === "1/4"));
  assert.deepEqual(nameEdit("ride", "crash", stretchOf(view({ chosen }))).places, [[0, "1/4"], [1, "1/4"]]);
});

test("a drum that is mostly in doubt is told of once", () => {
  const told = new Set();
  const drums = [...of(stretchOf(view())), { name: "crash", hits: 20, doubts: 12, confirmed: 0, possible: 0 }];
  assert.match(doubtedWords(drums, told), /^8 of the 8 rides and 12 of the 20 crashes are in doubt: Drums/);
  assert.equal(doubtedWords(drums, told), "");
  assert.match(doubtedWords([{ name: "claves", hits: 9, doubts: 9, confirmed: 0, possible: 0 }], told), /the 9 claves are/);
});

/** Of the eight rides of bars 1 and 2 three sound alike; a place where no ride is written any more is left out. */
const SOUND = { alike: true, places: [[0, "1/4"], [0, "3/4"], [1, "1/4"], [2, "0"]] };
const soundMeant = (more) => soundIn(CHART, stretchOf(view(more)), "ride", SOUND);

test("an act on a sound means its hits that are still there, in the bars or among the hits that are meant", () => {
  const edit = { edit: "name drum", old: "ride", new: "crash", first_bar: 0, last_bar: 2 };
  assert.deepEqual(nameEdit("ride", "crash", soundMeant({})), { ...edit, places: [[0, "1/4"], [0, "3/4"], [1, "1/4"]] });
  assert.deepEqual(nameEdit("ride", "crash", soundMeant({ selection: [1, 2] })), { ...edit, first_bar: 1, places: [[1, "1/4"]] });
  const chosen = chosenOf(hitsOf(CHART, [0, 1], (n) => n.at === "3/4"));
  assert.deepEqual(nameEdit("ride", "crash", soundMeant({ chosen })).places, [[0, "3/4"]]);
});

test("of a sound is counted what is left of it", () => {
  const counted = (more) => soundOf(CHART, 0.75, soundMeant(more), "ride");
  assert.equal(drumWords(counted({})), "3 hits, 3 in doubt");
  assert.equal(counted({ selection: [2, 2] }), undefined);
  const other = { ...SOUND, alike: false };
  assert.deepEqual([[], [SOUND], [other], [SOUND, other], [SOUND, SOUND], [SOUND, SOUND, other]].map(soundsWords),
    ["", "", "", "1 sound and others", "2 sounds", "2 sounds and others"]);
});

test("Python is asked for the sounds once there is a recording, and anew where what it told holds no more", () => {
  const [none, later] = [{}, {}];
  const info = { has_recording: true, sample_rate: 44100, drum_sounds: none };
  for (const lacking of [{ has_recording: false }, { sample_rate: null }, { drum_sounds: undefined }]) {
    assert.equal(isToAsk({ ...info, ...lacking }, null), false);
  }
  assert.equal(isToAsk(info, null), true);
  assert.equal(isToAsk(info, none), false);
  assert.equal(isToAsk({ ...info, drum_sounds: { drums: {} } }, none), false);
  assert.equal(isToAsk({ ...info, drum_sounds: later }, none), true);
  assert.equal(isToAsk({ ...info, drum_sounds: { drums: {} } }, null), true);
});
