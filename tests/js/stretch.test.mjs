/** The recording at another speed in a lesson's page. */
import assert from "node:assert/strict";
import test from "node:test";
import { readFileSync } from "node:fs";

const source = readFileSync(new URL("../../workbench/practice/page/stretch.js", import.meta.url), "utf8");
const stretching = new Function(`${source}; return stretching;`)();
const RATE = 44100;

/** A held tone with a click at some times, and where the clicks of a sound are. */
function song(clicks_s, length_s) {
  const x = Float32Array.from({ length: length_s * RATE }, (_, n) => 0.1 * Math.sin(2 * Math.PI * 220 * n / RATE));
  for (const t of clicks_s) for (let n = 0; n < 200; n++) x[Math.round(t * RATE) + n] += 0.8 * Math.exp(-n / 40) * (n % 2 ? -1 : 1);
  return x;
}
function clicksOf(x) {
  const found = [];
  for (let n = 0; n < x.length; n++) if (Math.abs(x[n]) > 0.6 && n - (found.at(-1) ?? -4410) > 441) found.push(n);
  return found.map((n) => n / RATE);
}
const near = (a, b, within) => assert.ok(a.length === b.length && a.every((t, k) => Math.abs(t - b[k]) <= within), `${a} | ${b}`);

test("at its own speed the recording is what it was, sample by sample", () => {
  const x = song([0.5, 1, 1.5], 3), map = stretching.around([[0, 0.25], [2, 2.25]], [0.5, 1, 1.5]);
  const [y] = stretching.stretched([x], RATE, 0, map, 0, RATE);
  let worst = 0;
  for (let n = 0; n < RATE; n++) worst = Math.max(worst, Math.abs(y[n] - x[n + RATE / 4]));
  assert.ok(worst < 1e-6, worst);
});

test("slower and faster, each stroke sounds once and at its time, and the tone keeps its pitch and level", () => {
  const clicks = [0.1, 0.35, 0.42, 0.9, 1.3], x = song(clicks, 2);
  for (const speed of [0.5, 0.7, 1.2]) {
    const map = stretching.around([[0, 0], [2 / speed, 2]], clicks);
    const [y] = stretching.stretched([x], RATE, 0, map, 0, Math.round(1.8 / speed * RATE));
    near(clicksOf(y), clicks.map((t) => t / speed), 0.001);
    const part = y.slice(Math.round(1.45 / speed * RATE), Math.round(1.7 / speed * RATE));
    const crossings = part.filter((v, n) => n && part[n - 1] < 0 && v >= 0).length / (part.length / RATE);
    assert.ok(Math.abs(crossings - 220) < 6, crossings);
    const level = Math.sqrt(part.reduce((sum, v) => sum + v * v, 0) / part.length);
    assert.ok(Math.abs(20 * Math.log10(level / (0.1 / Math.SQRT2))) < 1, level);
  }
});

test("drums and rest are cut at the same places, so that their sum is the stretched sum", () => {
  const a = song([0.5, 1], 2), b = Float32Array.from({ length: a.length }, (_, n) => 0.2 * Math.sin(n / 37));
  const map = stretching.around([[0, 0], [4, 2]], [0.5, 1]);
  const [da, db] = stretching.stretched([a, b], RATE, 0, map, 0, RATE);
  const [again] = stretching.stretched([Float32Array.from(a, (v, n) => v + b[n])], RATE, 0, map, 0, RATE);
  assert.ok(again.every((v, n) => Math.abs(v - da[n] - db[n]) < 1e-5));
});

test("beats of a bar may be laid on a steady beat", () => {
  const beats = [[0, 1], [0.5, 1.45], [1, 2.02], [1.5, 2.5], [2, 3]];
  const strokes = [1, 1.45, 2.02, 2.5], map = stretching.around(beats, strokes);
  const [y] = stretching.stretched([song(strokes, 4)], RATE, 0, map, -0.012, Math.round(1.9 * RATE));
  near(clicksOf(y).map((t) => t - 0.012), [0, 0.5, 1, 1.5], 0.001);
});

test("a map continues straight at both ends, and is read both ways", () => {
  const points = [[0, 10], [1, 12], [2, 13]];
  assert.deepEqual([-1, 0.5, 1.5, 3].map((t) => stretching.along(points, t)), [8, 11, 12.5, 14]);
  assert.deepEqual([8, 11, 12.5, 14].map((t) => stretching.along(points, t, true)), [-1, 0.5, 1.5, 3]);
});
