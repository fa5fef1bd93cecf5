// What is asked of Python to be heard: all of a loop, a long song a little at a time.
import assert from "node:assert/strict";
import test from "node:test";
import { Listener } from "../../workbench/grid/js/listening.js";

const PASSAGE = { start_s: 0, end_s: 600, speed_percent: 100, count_in_bars: 0 };

function open() {
  const sent = [];
  const session = { client: "me", revision: 1, info: {}, send: (m) => sent.push(m) };
  return { sent, listener: new Listener(session, () => ({}), () => {}) };
}

/** Python's pieces of a request: so many frames each. */
function answer(listener, { request }, frames, last) {
  const samples = new DataView(new ArrayBuffer(4 * frames));
  listener.receive({ type: "audio", request, frames, channels: 2, start: 0, last }, [samples]);
}

test("what was heard is kept, as much as five minutes", async () => {
  const { listener, sent } = open();
  const minutes = [];
  for (let k = 0; k < 7; k++) {
    const pieces = listener.fetch({ ...PASSAGE, start_s: k }, "recording");
    answer(listener, sent.at(-1), 60 * 44100, true);
    minutes.push(await pieces);
  }
  assert.equal(listener.kept.size, 5);
  sent.length = 0;
  assert.equal(await listener.fetch({ ...PASSAGE, start_s: 6 }, "recording"), minutes[6]);
  assert.deepEqual(sent, []);
});

test("a long song is asked for a little at a time, and no more once it has stopped", async () => {
  const { listener, sent } = open();
  const came = [];
  const stream = listener.stream(PASSAGE, "recording", (piece) => came.push(piece));
  const [asked] = sent;
  assert.ok(asked.pieces > 0 && asked.type === "audio" && asked.end_s === 600);
  answer(listener, asked, 10, false);
  await stream.came;
  stream.more();
  assert.deepEqual(sent.at(-1), { type: "more", request: asked.request });
  answer(listener, asked, 10, false);
  assert.equal(came.length, 2);
  assert.equal(listener.kept.size, 0);
  stream.stop();
  assert.deepEqual(sent.at(-1), { type: "enough", request: asked.request });
  answer(listener, asked, 10, true);
  assert.equal(came.length, 2);
  stream.stop();
  assert.equal(sent.filter((m) => m.type === "enough").length, 1);
});
