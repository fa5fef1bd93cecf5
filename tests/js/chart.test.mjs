// Pure functions of the page: counting, time, layout, hit-testing.  Run by node's test runner.
import assert from "node:assert/strict";
import test from "node:test";
import * as chart from "../../workbench/grid/js/chart.js";
import * as timeline from "../../workbench/grid/js/timeline.js";
import { usualVelocity, writtenNote } from "../../workbench/grid/js/edits.js";
import { add, compare, fraction, parseFraction, textOf, valueOf } from "../../workbench/grid/js/fractions.js";

/** Nine rows of one height. */
const ROWS = Array(9).fill(20);

/** Bars of one meter at a steady beat of half a second. */
function steady(count, meter = "4/4", notes = []) {
  const [beats] = meter.split("/").map(Number);
  const counted = chart.readMeter(meter).compound ? beats / 3 : beats;
  return {
    title: "", artist: "", sections: [], kit: [], marks: [], texts: [],
    time_map: {
      bars: Array.from({ length: count }, (_, k) => ({
        meter, beats_s: Array.from({ length: counted }, (_, b) => (k * counted + b) * 0.5) })),
      end_s: count * counted * 0.5,
    },
    bars: Array.from({ length: count }, () => ({ notes: [...notes] })),
  };
}

test("fractions stay exact and in lowest terms", () => {
  assert.equal(textOf(add(parseFraction("1/3"), parseFraction("1/6"))), "1/2");
  assert.equal(textOf(fraction(8, 4)), "2");
  assert.ok(compare(parseFraction("1/3"), parseFraction("3/8")) < 0);
});

test("sixteenths are counted 1 e & a, triplets 1 trip let, 6/8 by the eighth", () => {
  const count = (meter, parts) => chart.columnsOf({ meter }, parts && Array(12).fill(parts))
    .map((c) => chart.spoken({ meter }, c.at)).join(" ");
  assert.equal(count("2/4"), "1 e & a 2 e & a");
  assert.equal(count("2/4", 3), "1 trip let 2 trip let");
  assert.equal(count("6/8"), "1 & 2 & 3 & 4 & 5 & 6 &");
  assert.equal(count("12/8", 3), "1 2 3 4 5 6 7 8 9 10 11 12");
});

test("a pick-up of two beats counts 3 and 4 and is bar 0", () => {
  const timed = { meter: "4/4", length: "1/2" };
  assert.deepEqual(chart.columnsOf(timed).filter((c) => c.part === 0).map((c) => c.number), [3, 4]);
  const song = steady(3);
  song.time_map.bars[0] = { meter: "4/4", length: "1/2", beats_s: [0, 0.5] };
  assert.equal(chart.barNumber(song, 0), 0);
  assert.equal(chart.barNumber(song, 1), 1);
  assert.deepEqual([chart.theBar(song, 0), chart.barName(song, 0), chart.barName(song, 2)], ["the pick-up", "Pick-up", "Bar 2"]);
  assert.deepEqual([[0, 0], [0, 2], [1, 2], [2, 2]].map(([a, b]) => chart.barsSaid(song, a, b)),
    ["the pick-up", "the pick-up to bar 2", "bars 1 to 2", "bar 2"]);
});

test("every bar has a column to stand on, however short it is", () => {
  const at = (length) => chart.columnsOf({ meter: "4/4", length }).map((c) => textOf(c.at));
  assert.deepEqual(at("1/32"), ["0"]);
  assert.deepEqual(at("5/64"), ["0", "1/64"]);
});

test("places are named as players name them", () => {
  assert.equal(chart.placeName({ meter: "4/4" }, parseFraction("3/8")), "& of 2");
  assert.equal(chart.placeName({ meter: "4/4" }, parseFraction("9/32")), "32nd after 2");
  assert.equal(chart.placeName({ meter: "4/4" }, parseFraction("5/6")), "middle triplet of 4");
  assert.equal(chart.placeName({ meter: "6/8" }, parseFraction("5/48")), "last 32nd-triplet note of beat 1");
  assert.equal(chart.thePlace({ meter: "4/4" }, parseFraction("3/8")), "the & of 2");
  assert.equal(chart.thePlace({ meter: "4/4" }, parseFraction("1/4")), "2");
});

test("seconds and positions are inverse through drift", () => {
  const song = steady(4);
  song.time_map.bars[2].beats_s = [4, 4.7, 5.1, 5.6];
  const time = chart.timeOf(song.time_map);
  for (let bar = 0; bar < 4; bar++) {
    for (const p of [0, 0.1, 0.33, 0.99]) {
      const place = chart.placeAt(time, chart.secondsAt(time, bar, p));
      assert.equal(place.bar, bar);
      assert.ok(Math.abs(place.position - p) < 1e-9);
    }
  }
});

test("doubtful hits: unsure and not confirmed; the most doubtful bar first", () => {
  const song = steady(3);
  song.bars[0].notes = [{ at: "0", instrument: "kick", velocity: 80, confidence: 0.5 }];
  song.bars[1].notes = [{ at: "0", instrument: "kick", velocity: 80, confidence: 0.1 },
    { at: "1/4", instrument: "snare", velocity: 80, confidence: 0.2, confirmed: true }];
  assert.deepEqual(chart.doubtfulHits(song, 0.6).map((d) => d.bar), [0, 1]);
  assert.deepEqual(chart.doubtfulBars(song, 0.6), [1, 0]);
});

test("bars stand one under the other; a section begins a new line; a pick-up takes no bar's room", () => {
  const song = steady(12);
  let sheet = timeline.layoutSheet(song, 1000, 4, ROWS);
  assert.deepEqual(sheet.lines.map((l) => [l.first, l.last]), [[0, 4], [4, 8], [8, 12]]);
  assert.equal(sheet.lines[0].bars[2].x, sheet.lines[1].bars[2].x);
  song.sections = [{ bar_index: 0, name: "Verse" }, { bar_index: 6, name: "Chorus" }];
  sheet = timeline.layoutSheet(song, 1000, 4, ROWS);
  assert.deepEqual(sheet.lines.map((l) => l.first), [0, 4, 6, 10]);
  song.sections = [];
  song.time_map.bars[0] = { meter: "4/4", length: "1/4", beats_s: [0] };
  sheet = timeline.layoutSheet(song, 1000, 4, ROWS);
  assert.deepEqual(sheet.lines.map((l) => l.first), [0, 5, 9]);
});

test("all bars fit one line when the whole song is asked for", () => {
  const sheet = timeline.layoutSheet(steady(200), 900, 200, ROWS);
  assert.equal(sheet.lines.length, 1);
  assert.ok(sheet.lines[0].right <= 900);
});

test("hit-testing finds what was drawn: every column of every row", () => {
  const song = steady(10);
  const sheet = timeline.layoutSheet(song, 1100, 4, ROWS);
  for (const bar of [0, 3, 4, 9]) {
    for (const c of chart.columnsOf(song.time_map.bars[bar])) {
      const at = valueOf(c.at);
      const line = timeline.lineOf(sheet, bar);
      const x = timeline.xOf(sheet, bar, at);
      const hit = timeline.hitTest(sheet, x + 1, line.y + sheet.rowTops[5] + 9);
      assert.equal(hit.zone, "rows");
      assert.equal(hit.row, 5);
      assert.deepEqual(timeline.nearestColumn(song, hit.bar, hit.position), { bar, at: textOf(c.at) });
    }
  }
});

test("folded rows are lower and are met where they stand", () => {
  const sheet = timeline.layoutSheet(steady(4), 1000, 4, [26, 8, 8, 26]);
  assert.deepEqual([27, 35, 43].map((dy) => timeline.rowAt(sheet, sheet.rowsY + dy)), [1, 2, 3]);
  assert.equal(sheet.rowsBottom - sheet.rowsY, 68);
  assert.equal(timeline.hitTest(sheet, 400, sheet.rowsY + 69).zone, "none");
});

test("as many bars stand in a line as can be read: fewer where the music is denser or the page narrower", () => {
  const song = steady(8);
  const fill = (parts) => song.bars.map(() => ({ notes: Array.from({ length: parts }, (_, k) =>
    ({ at: textOf({ n: k, d: parts }), instrument: "snare", velocity: 80 })) }));
  const bars = (parts, width) => timeline.readableBars({ ...song, bars: fill(parts) }, width);
  assert.deepEqual([8, 16, 32].map((parts) => bars(parts, 1200)), [4, 4, 2]);
  assert.deepEqual([8, 16, 32].map((parts) => bars(parts, 800)), [4, 2, 1]);
  assert.equal(bars(16, 400), 1);
  // Two 32nds in every bar change nothing, as many as sixteenths do.
  const drags = (parts) => ({ ...song, bars: fill(parts).map(({ notes }) => ({ notes: [...notes, { at: "1/32", instrument: "snare", velocity: 30 }]
    .sort((x, y) => valueOf(parseFraction(x.at)) - valueOf(parseFraction(y.at))) })) });
  assert.equal(timeline.readableBars(drags(16), 800), 2);
  assert.equal(timeline.readableBars(drags(8), 800), 4);
});

test("past the last half column a click belongs to the next bar", () => {
  assert.deepEqual(timeline.nearestColumn(steady(2), 0, 0.985), { bar: 1, at: "0" });
  assert.deepEqual(timeline.nearestColumn(steady(1), 0, 0.985), { bar: 0, at: "15/16" });
});

test("between columns: halves, thirds and quarters of a step, never past the bar", () => {
  assert.equal(timeline.nearestBetween(steady(1), 0, 1 / 32).at, "1/32");
  assert.equal(timeline.nearestBetween(steady(1), 0, 1 / 48).at, "1/48");
  assert.ok(compare(parseFraction(timeline.nearestBetween(steady(1), 0, 0.9999).at), fraction(1)) < 0);
});

test("the cursor walks through every column, forth and back", () => {
  const song = steady(3, "7/8");
  const all = song.time_map.bars.flatMap((t, bar) => chart.columnsOf(t).map((c) => ({ bar, at: textOf(c.at) })));
  let place = all[0];
  for (const next of all.slice(1)) {
    place = timeline.neighbourColumn(song, place, 1);
    assert.deepEqual(place, next);
  }
  assert.equal(timeline.neighbourColumn(song, place, 1), null);
  for (const before of all.slice(0, -1).reverse()) {
    place = timeline.neighbourColumn(song, place, -1);
    assert.deepEqual(place, before);
  }
});

test("a moment's x and an x's moment agree", () => {
  const song = steady(8);
  const time = chart.timeOf(song.time_map);
  const sheet = timeline.layoutSheet(song, 1000, 4, ROWS);
  const line = sheet.lines[1];
  for (const x of [line.left, line.left + 123.4, line.right]) {
    assert.ok(Math.abs(timeline.xOfTime(line, time, timeline.timeAtX(line, time, x)) - x) < 1e-6);
  }
});

test("bars are listed by runs, and beyond some of them counted", () => {
  const bars = Array.from({ length: 40 }, () => ({ meter: "4/4", beats_s: [0, 1, 2, 3] }));
  assert.equal(chart.barList({ time_map: { bars } }, [3]), "bar 4");
  assert.equal(chart.barList({ time_map: { bars } }, [5, 0, 1, 2, 5]), "bars 1–3, 6");
  const odd = [...Array(10).keys()].map((k) => 2 * k).concat(19);
  assert.equal(chart.barList({ time_map: { bars } }, odd), "bars 1, 3, 5, 7, 9, 11 and 5 more");
  bars[0].length = "1/4";
  assert.equal(chart.barList({ time_map: { bars } }, [0, 1, 2]), "pick-up + bars 1–2");
});

test("a hit is written as loud as its drum usually is; of a drum that hardly plays nothing is usual", () => {
  const played = (instrument, velocity, articulations) => ({ at: "0", instrument, velocity, articulations });
  const notes = [30, 34, 36, 38, 39].map((v) => played("snare", v, ["ghost"])).concat([112, 118, 110, 120].map((v) => played("snare", v)));
  const song = { bars: [{ notes }, { notes: [played("crash", 120)] }] };
  assert.deepEqual(["snare", "crash", "ride"].map((name) => usualVelocity(song, name)), [118, 80, 80]);
  assert.deepEqual(writtenNote(song, "1/4", "snare"), { at: "1/4", instrument: "snare", velocity: 118, confirmed: true });
});
