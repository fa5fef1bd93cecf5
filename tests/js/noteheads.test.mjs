// What is likelier an error is drawn more boldly; nothing that is in doubt vanishes.
import assert from "node:assert/strict";
import test from "node:test";
import { boldness, drawHit, drawHollow } from "../../workbench/grid/js/noteheads.js";

const PALETTE = { doubt: "orange", ink: "black", pencil: "grey", paper: "white", quiet: "silver", smallBold: "" };

/** A canvas that notes how each stroke in the colour of doubt is drawn, and which words. */
function noted() {
  const strokes = [], words = [];
  const g = { globalAlpha: 1, stroke: () => g.strokeStyle === "orange" && strokes.push([g.globalAlpha, g.lineWidth]),
    fillText: (text) => words.push(text) };
  const canvas = new Proxy(g, { get: (of, name) => (name in of ? of[name] : () => {}) });
  return { canvas, g, strokes, words };
}

test("the likelier, the bolder, up to a limit", () => {
  const all = [0, 0.03, 0.1, 0.2, 0.4, 0.7, 1].map(boldness);
  for (let k = 1; k < all.length; k += 1) assert.ok(all[k] >= all[k - 1]);
  assert.ok(all[0] >= 0.5 && all[1] < all[3] && all[3] < all[4]);
  assert.equal(all[4], 1);
  assert.equal(all[6], 1);
});

for (const [what, draw] of [
  ["a possible hit", (g, error) => drawHollow(g, 0, 0, 5, "normal", error, PALETTE)],
  ["a hit in doubt", (g, error) => drawHit(g, { kind: "normal", x: 0, y: 0, radius: 5, stemRoom: 10, heardX: 0,
    doubtful: true, note: { velocity: 90, confidence: 1 - error }, palette: PALETTE })],
]) {
  test(`${what}: a likely error is drawn more boldly than an unlikely one`, () => {
    const [faint, bold] = [0.05, 0.6].map((error) => {
      const { canvas, g, strokes } = noted();
      draw(canvas, error);
      assert.equal(strokes.length, 1);
      assert.equal(g.globalAlpha, 1);
      return strokes[0];
    });
    assert.ok(faint[0] < bold[0] && faint[1] < bold[1]);
  });
}

test("only what is likely wrong has a question mark", () => {
  const words = (confidence) => {
    const { canvas, words: written } = noted();
    drawHit(canvas, { kind: "normal", x: 0, y: 0, radius: 5, stemRoom: 10, heardX: 0, doubtful: true,
      note: { velocity: 90, confidence }, palette: PALETTE });
    return written;
  };
  assert.deepEqual(words(0.9), []);
  assert.deepEqual(words(0.5), ["?"]);
});
