/**
 * Drawing the sheet and the overview on canvases.  No state of its own: everything comes in.
 */
import { spoken, barNumber, isDoubtful, secondsAt, lengthOf } from "./chart.js";
import { drawFaults } from "./bars.js";
import { placeKey } from "./chosen.js";
import { parseFraction, valueOf } from "./fractions.js";
import { SIZES, gapsOf, linesInView, rowBase, xOf, xOfTime } from "./timeline.js";
import { piecesInLine, wordOf } from "./marks.js";
import { doubtWords } from "./possible.js";
import { drawHead, drawHit, drawHollow } from "./noteheads.js";

/** The notebook theme's colours and fonts, read anew when the theme changes. */
export function readPalette(element) {
  const probe = document.createElement("span");
  element.append(probe);
  // Asking for the computed colour resolves variables and mixes, whatever the theme wrote.
  const of = (name) => {
    probe.style.color = `var(--wbg-${name})`;
    return getComputedStyle(probe).color;
  };
  const font = getComputedStyle(element).fontFamily || "sans-serif";
  const palette = {
    paper: of("paper"), ink: of("ink"), pencil: of("pencil"), quiet: of("quiet"), line: of("line"), beat: of("beat"),
    mark: of("mark"), doubt: of("doubt"), wash: of("wash"), sound: of("sound"),
    text: `13px ${font}`, small: `11.5px ${font}`, smallBold: `bold 11.5px ${font}`, bold: `bold 13px ${font}`,
  };
  palette.key = [palette.paper, palette.ink, palette.sound].join();
  probe.remove();
  return palette;
}

/**
 * The part of the sheet from `top`, as high as the canvas.
 * @param {any} state {sheet, chart, time, rows, kit, palette, cursor, selection, heardBar, doubtBelow, sound, drag, pictures}
 */
export function drawSheet(g, state, top, width, height, ratio) {
  const { sheet, palette } = state;
  const lines = linesInView(sheet, top, height);
  g.setTransform(1, 0, 0, 1, 0, 0);
  for (const line of lines) g.drawImage(state.pictures.of(state, line), 0, Math.round((line.y - top) * ratio));
  const end = lines.length ? Math.round((lines.at(-1).y + sheet.lineHeight - top) * ratio) : 0;
  g.fillStyle = palette.paper;
  g.fillRect(0, end, width * ratio, Math.max(height * ratio - end, 0));
  drawAlike(g, state, top, ratio, lines);
  drawBox(g, state, top, ratio);
}

/** One line, its top at 0. */
export function drawLine(g, state, line) {
  const { sheet, palette } = state;
  g.fillStyle = palette.paper;
  g.fillRect(0, 0, sheet.width, sheet.lineHeight + 1);
  g.textBaseline = "middle";
  drawWashes(g, state, line);
  if (sheet.marksY > sheet.waveY) state.sound?.draw(g, state, line);
  drawRows(g, state, line);
  for (const bar of line.bars) drawBarFrame(g, state, line, bar);
  drawHeads(g, state, line);
  drawFaults(g, state, line);
  drawMarks(g, state, line);
  g.strokeStyle = palette.ink;
  g.lineWidth = line.last === state.chart.bars.length ? 2.5 : 1;
  vertical(g, line.right, sheet.waveY, sheet.rowsBottom);
  for (const bar of line.bars) {
    drawPossible(g, state, line, bar);
    drawHits(g, state, line, bar);
  }
  drawCursor(g, state, line);
  if (state.drag?.barLine !== undefined) drawDraggedLine(g, state, line);
}

/** Selected bars and the bar that sounds. */
function drawWashes(g, { sheet, palette, selection, heardBar }, line) {
  const bottom = sheet.rowsBottom;
  for (const bar of line.bars) {
    const heard = bar.bar === heardBar;
    if (selection && bar.bar >= selection[0] && bar.bar <= selection[1]) {
      g.fillStyle = palette.wash;
      g.fillRect(bar.x, 2, bar.width, bottom - 2);
    }
    if (heard) {
      g.fillStyle = palette.wash;
      g.fillRect(bar.x, sheet.waveY, bar.width, bottom - sheet.waveY);
    }
  }
}

function drawRows(g, { sheet, palette, rows, kit, cursor, hoverRow }, line) {
  rows.forEach((name, k) => {
    const y = Math.round(rowBase(sheet, k)) + 0.5;
    const folded = sheet.rowHeights[k] === SIZES.folded;
    g.lineWidth = 1;
    g.strokeStyle = palette.line;
    horizontal(g, line.left - 6, line.right, y);
    const here = cursor && cursor.instrument === name && cursor.bar >= line.first && cursor.bar < line.last;
    g.fillStyle = here || !folded ? palette.ink : palette.pencil;
    g.strokeStyle = g.fillStyle;
    g.textAlign = "right";
    const middle = sheet.rowTops[k] + sheet.rowHeights[k] / 2 + 1;
    if (!folded || here || k === hoverRow) {
      g.font = here ? palette.bold : folded ? palette.small : palette.text;
      if (folded) {
        // The name of a folded row stands over the rows beside it.
        g.fillStyle = palette.paper;
        g.fillRect(0, middle - 7, SIZES.gutter - 14, 14);
        g.fillStyle = palette.ink;
      }
      g.fillText(name, SIZES.gutter - 16, middle, SIZES.gutter - 18);
    }
    g.lineWidth = folded ? 1 : 1.6;
    drawHead(g, kit[name].notehead, SIZES.gutter - 5, folded ? y : middle, folded ? 2 : 4.4);
  });
}

/** Bar line, number, section, meter, beats, columns and the count of one bar. */
function drawBarFrame(g, state, line, bar) {
  const { sheet, chart, palette } = state;
  const timed = chart.time_map.bars[bar.bar];
  const bottom = sheet.rowsBottom;
  g.textAlign = "center";
  for (const beat of beatsOf(state.columns(bar.bar))) {
    const step = valueOf(beat[0].step) * line.scale;
    const every = labelledEvery(beat[0].parts, step, LABEL_PX);
    for (const c of beat) {
      const x = bar.x + valueOf(c.at) * line.scale;
      const onBeat = c.part === 0;
      if (step > 4 || (onBeat && step * c.parts > 4)) {
        g.strokeStyle = onBeat ? palette.beat : palette.line;
        g.lineWidth = 1;
        vertical(g, x, onBeat ? sheet.countsY + SIZES.counts - 3 : sheet.rowsY + 2, bottom - (onBeat ? 0 : 2));
      }
      if (every && c.part % every === 0) {
        g.font = onBeat ? palette.smallBold : palette.small;
        g.fillStyle = onBeat ? palette.ink : palette.pencil;
        g.fillText(spoken(timed, c.at), x, sheet.countsY + SIZES.counts / 2 - 1);
      }
    }
  }
  // The bar line, through the sound and the rows.
  g.strokeStyle = timed.fixed ? palette.mark : palette.ink;
  g.lineWidth = bar.width > 14 ? 1.6 : 0.7;
  vertical(g, bar.x, sheet.waveY - 3, bottom);
}

/** Room that the word of a count needs, pixels. */
const LABEL_PX = 11.5;

/** The columns of a bar beat by beat. */
function beatsOf(columns) {
  const beats = [];
  for (const c of columns) {
    if (beats.at(-1)?.[0].beat === c.beat) beats.at(-1).push(c);
    else beats.push([c]);
  }
  return beats;
}

/** Every how many columns of a beat have room for a word: as many as can be told apart; 0: none. */
function labelledEvery(parts, step, room) {
  for (let every = 1; every <= parts; every++) if (parts % every === 0 && every * step >= room) return every;
  return 0;
}

/** Above a line: numbers of the bars, sections, meters where they change, doubts. */
function drawHeads(g, state, line) {
  const { chart, palette, cursor, doubts, possible } = state;
  let taken = 0;
  for (const bar of line.bars) {
    const timed = chart.time_map.bars[bar.bar];
    const number = barNumber(chart, bar.bar);
    const section = chart.sections.find((s) => s.bar_index === bar.bar);
    const here = cursor?.bar === bar.bar;
    const every = Math.ceil(34 / bar.width);
    let x = bar.x;
    g.textAlign = "left";
    if (x >= taken && (every < 2 || number % every === 1 || bar.bar === line.first || section)) {
      const text = String(number);
      g.font = here ? palette.bold : palette.text;
      g.fillStyle = here ? palette.ink : palette.pencil;
      g.fillText(text, x, 11);
      x += g.measureText(text).width + 7;
    }
    if (section) x = drawSection(g, state, line, bar, section, Math.max(x, taken));
    const before = chart.time_map.bars[bar.bar - 1];
    if ((!before || before.meter !== timed.meter) && bar.x + bar.width - x > 24) {
      g.font = palette.bold;
      g.fillStyle = palette.pencil;
      g.fillText(timed.meter, x, 11);
      x += g.measureText(timed.meter).width + 7;
    }
    const said = chart.texts.filter((t) => t.bar_index === bar.bar).map((t) => t.text).join("  ");
    if (said && bar.x + bar.width - x > 30) {
      g.font = `italic ${palette.text}`;
      g.fillStyle = palette.ink;
      g.fillText(said, x, 11, bar.x + bar.width - x - 6);
      x += Math.min(g.measureText(said).width, bar.x + bar.width - x - 6) + 7;
    }
    taken = Math.max(taken, x > bar.x ? x : 0);
    const doubt = doubtWords(doubts.get(bar.bar) || 0, possible.get(bar.bar)?.length || 0);
    const { done } = chart.bars[bar.bar];
    if (bar.width > 110 && (doubt || done)) {
      const words = done ? "done" : doubt;
      g.font = palette.small;
      g.fillStyle = done ? palette.pencil : palette.doubt;
      g.textAlign = "right";
      if (bar.x + bar.width - 6 - g.measureText(words).width > taken) g.fillText(words, bar.x + bar.width - 6, 11);
    }
  }
}

/** The boxed name of a section; narrow ones are set tighter. @returns x after it */
function drawSection(g, { chart, palette }, line, bar, section, x) {
  const text = [section.label, section.name].filter(Boolean).join("  ");
  g.font = palette.bold;
  const next = line.bars.find((b) => b.bar > bar.bar && chart.sections.some((s) => s.bar_index === b.bar));
  const room = (next ? next.x - 14 : line.right) - x - 12;
  const w = Math.min(g.measureText(text).width, Math.max(room, 8));
  g.strokeStyle = palette.ink;
  g.lineWidth = 1;
  g.strokeRect(x + 0.5, 2.5, w + 9, 16);
  g.fillStyle = palette.ink;
  g.fillText(text, x + 5, 11, w);
  return x + w + 16;
}

/** Marks as brackets over their stretches: solid where confirmed, dashed where a reading proposes them. */
function drawMarks(g, { chart, sheet, palette }, line) {
  if (sheet.countsY === sheet.marksY) return;
  const y = sheet.marksY + 7.5;
  for (const { mark, from, to, opens, closes, first } of piecesInLine(chart, line)) {
    const fill = mark.kind === "fill";
    // A stretch ends before the column that follows it.
    const right = to - Math.min(4, (to - from) / 3);
    let left = from + (opens ? 1 : 0);
    g.strokeStyle = g.fillStyle = mark.confirmed && fill ? palette.ink : palette.pencil;
    g.lineWidth = mark.confirmed && fill ? 1.6 : 1;
    g.font = mark.confirmed && fill ? palette.smallBold : palette.small;
    g.textAlign = "left";
    const word = wordOf(chart, mark);
    const words = first ? [mark.text && (fill ? `${word}: ${mark.text}` : mark.text), word].find(
      (w) => w && g.measureText(w).width + 12 < right - left) : undefined;
    if (opens) vertical(g, left, y, y + 5);
    if (words) {
      const end = left + 8 + g.measureText(words).width;
      const ink = g.fillStyle;
      // Words may lie over bar lines.
      g.fillStyle = palette.paper;
      g.fillRect(left + 3, sheet.marksY + 1, end - left - 4, SIZES.marks - 2);
      g.fillStyle = ink;
      g.fillText(words, left + 4, y);
      if (opens) horizontal(g, left, left + 2, y);
      left = end;
    }
    if (!mark.confirmed) g.setLineDash([3, 3]);
    horizontal(g, left, Math.max(right, left + 1), y);
    g.setLineDash([]);
    if (closes) vertical(g, right, y, y + 5);
  }
}

function drawHits(g, state, line, bar) {
  const { chart, time, sheet, palette, kit, rowOf, doubtBelow, chosen } = state;
  const written = chart.bars[bar.bar];
  const near = gapsOf(written);
  written.notes.forEach((note, k) => {
    const row = rowOf.get(note.instrument);
    if (row === undefined) return;
    const position = valueOf(parseFraction(note.at));
    const x = bar.x + position * line.scale;
    const y = rowBase(sheet, row);
    const radius = Math.min(5.4, near[k] * line.scale * 0.4, bar.width * 0.12, sheet.rowHeights[row] * 0.42);
    if (chosen.size && chosen.has(placeKey({ bar: bar.bar, at: note.at, instrument: note.instrument }))) {
      drawChosen(g, sheet, palette, x, row, radius);
    }
    const heardX = note.deviation_s ? xOfTime(line, time, secondsAt(time, bar.bar, position) + note.deviation_s) : x;
    drawHit(g, { kind: kit[note.instrument].notehead, x, y, radius, stemRoom: y - sheet.rowTops[row] - 2, note,
      doubtful: isDoubtful(note, doubtBelow), heardX, palette });
  });
}

function drawChosen(g, sheet, palette, x, row, radius) {
  g.fillStyle = palette.wash;
  g.strokeStyle = palette.mark;
  g.lineWidth = 1.5;
  g.beginPath();
  g.roundRect(x - radius - 5, sheet.rowTops[row] + 1, 2 * radius + 10, sheet.rowHeights[row] - 2, 3);
  g.fill();
  g.stroke();
}

/** Possible hits: hollow heads, dashed, where they would be written. */
function drawPossible(g, { possible, sheet, kit, rowOf, palette, chosen }, line, bar) {
  for (const hit of possible.get(bar.bar) || []) {
    const row = rowOf.get(hit.instrument);
    if (row === undefined) continue;
    const radius = Math.min(5.4, bar.width * 0.12, sheet.rowHeights[row] * 0.42);
    const x = bar.x + valueOf(parseFraction(hit.at)) * line.scale;
    if (chosen.has(placeKey({ bar: bar.bar, at: hit.at, instrument: hit.instrument }))) drawChosen(g, sheet, palette, x, row, radius);
    drawHollow(g, x, rowBase(sheet, row), radius, kit[hit.instrument].notehead, hit.probability, palette);
  }
}

function drawCursor(g, { cursor, sheet, palette, rowOf, focused }, line) {
  if (!cursor || cursor.bar < line.first || cursor.bar >= line.last) return;
  const x = xOf(sheet, cursor.bar, valueOf(parseFraction(cursor.at)));
  const row = rowOf.get(cursor.instrument);
  if (row === undefined) return;
  const high = Math.max(sheet.rowHeights[row], 16);
  const middle = sheet.rowTops[row] + sheet.rowHeights[row] / 2;
  g.strokeStyle = palette.mark;
  g.lineWidth = focused ? 2.5 : 1;
  g.beginPath();
  g.roundRect(x - 10.5, middle - high / 2, 21, high, 4);
  g.stroke();
  g.beginPath();
  g.moveTo(x - 4, sheet.rowsY - 1);
  g.lineTo(x + 4, sheet.rowsY - 1);
  g.lineTo(x, sheet.rowsY + 4);
  g.closePath();
  g.fillStyle = palette.mark;
  g.fill();
}

/** Where the question at the cursor is asked too, over the lines. */
function drawAlike(g, { alike, sheet, palette, rowOf }, top, ratio, lines) {
  if (!alike.length) return;
  g.setTransform(ratio, 0, 0, ratio, 0, -top * ratio);
  g.strokeStyle = palette.mark;
  g.lineWidth = 1.2;
  g.setLineDash([3, 2]);
  for (const { bar, at, instrument } of alike) {
    const line = lines.find((l) => bar >= l.first && bar < l.last);
    const row = rowOf.get(instrument);
    if (!line || row === undefined) continue;
    const x = xOf(sheet, bar, valueOf(parseFraction(at)));
    const high = Math.max(sheet.rowHeights[row], 16);
    g.beginPath();
    g.roundRect(x - 10.5, line.y + sheet.rowTops[row] + sheet.rowHeights[row] / 2 - high / 2, 21, high, 4);
    g.stroke();
  }
  g.setLineDash([]);
}

/** The frame that is being drawn around hits, in sheet coordinates. */
export function drawBox(g, { drag, palette }, top, ratio) {
  if (!drag?.box) return;
  const { x0, y0, x1, y1 } = drag.box;
  g.setTransform(ratio, 0, 0, ratio, 0, -top * ratio);
  g.strokeStyle = palette.mark;
  g.fillStyle = palette.wash;
  g.lineWidth = 1;
  g.fillRect(x0, y0, x1 - x0, y1 - y0);
  g.strokeRect(x0, y0, x1 - x0, y1 - y0);
}

function drawDraggedLine(g, { drag, sheet, palette }, line) {
  if (drag.line !== line.index) return;
  g.strokeStyle = palette.mark;
  g.lineWidth = 2;
  g.setLineDash([4, 3]);
  vertical(g, drag.x, sheet.waveY - 3, sheet.rowsBottom);
  g.setLineDash([]);
}

function vertical(g, x, y0, y1) {
  g.beginPath();
  g.moveTo(x, y0);
  g.lineTo(x, y1);
  g.stroke();
}

function horizontal(g, x0, x1, y) {
  g.beginPath();
  g.moveTo(x0, y);
  g.lineTo(x1, y);
  g.stroke();
}

/** The whole song on one strip: sections, fills, how full each bar is, where doubts are, what is in view. */
export function drawOverview(g, state, width, height, ratio, inView) {
  const { chart, palette, doubts, possible, looked, selection, heardBar, cursor } = state;
  const n = chart.bars.length;
  const left = 1;
  const scale = (width - 2) / n;
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  g.fillStyle = palette.paper;
  g.fillRect(0, 0, width, height);
  g.textBaseline = "middle";
  const body = [15, height - 6];
  const fullest = Math.max(8, ...chart.bars.map((b) => b.notes.length));
  g.fillStyle = palette.wash;
  g.fillRect(left + inView[0] * scale, 0, (inView[1] - inView[0]) * scale, height);
  for (let k = 0; k < n; k++) {
    const x = left + k * scale;
    const full = (chart.bars[k].notes.length / fullest) * (body[1] - body[0]);
    g.fillStyle = k === heardBar ? palette.mark : palette.quiet;
    g.fillRect(x + scale * 0.14, body[1] - full, Math.max(scale * 0.72, 0.8), full);
    // Done, looked at, or nobody has looked at it yet; a dot of doubt where something is in doubt.
    const seen = chart.bars[k].done || looked.has(chart.time_map.bars[k]);
    g.fillStyle = chart.bars[k].done ? palette.ink : palette.beat;
    if (seen) g.fillRect(x + scale * 0.06, body[1] + 2, Math.max(scale * 0.88, 0.8), 3);
    if (doubts.get(k) || possible.has(k)) {
      g.fillStyle = palette.doubt;
      g.fillRect(x + scale * 0.3, body[1] + 1, Math.max(scale * 0.4, 1.5), 5);
    }
  }
  const xOfPlace = ([bar, at]) => left + (bar + (bar < n
    ? valueOf(parseFraction(at)) / valueOf(lengthOf(chart.time_map.bars[bar])) : 0)) * scale;
  for (const mark of chart.marks) {
    if (mark.kind !== "fill") continue;
    g.fillStyle = mark.confirmed ? palette.ink : palette.pencil;
    g.fillRect(xOfPlace(mark.start), body[0] - 1.5, Math.max(xOfPlace(mark.end) - xOfPlace(mark.start), 2),
      mark.confirmed ? 2.5 : 1);
  }
  g.textAlign = "left";
  g.font = palette.small;
  chart.sections.forEach((s, k) => {
    const x = left + s.bar_index * scale;
    const end = left + (chart.sections[k + 1]?.bar_index ?? n) * scale;
    g.strokeStyle = palette.ink;
    g.lineWidth = 1;
    vertical(g, x + 0.5, 3, body[1]);
    g.fillStyle = palette.ink;
    const text = [s.label, s.name].filter(Boolean).join(" ");
    if (end - x > 14) g.fillText(text, x + 4, 8, Math.max(end - x - 6, 8));
  });
  if (selection) {
    g.strokeStyle = palette.mark;
    g.lineWidth = 2;
    g.strokeRect(left + selection[0] * scale, 1, (selection[1] + 1 - selection[0]) * scale, height - 2);
  }
  if (cursor) {
    g.fillStyle = palette.mark;
    g.fillRect(xOfPlace([cursor.bar, cursor.at]) - 1, body[0] - 3, 2, body[1] - body[0] + 3);
  }
}
