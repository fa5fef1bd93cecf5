/** The mouse on the sheet and the overview. */
import { noteAt } from "./chart.js";
import { hitTest, nearestBetween, nearestColumn, timeAtX, lineOf } from "./timeline.js";
import { parseFraction, valueOf } from "./fractions.js";
import { writtenNote } from "./edits.js";
import { moveHit } from "./commands.js";
import { piecesInLine } from "./marks.js";

/** How far the mouse must go before a click is a drag, in pixels. */
const DRAG_PX = 5;
/** How near to a bar line it is grasped, in pixels. */
const GRASP_PX = 5;

/** @param {any} view @returns {() => void} detach */
export function attachMouse(view) {
  const { scroller, overview } = view;
  let down = null;

  const point = (event) => {
    const box = scroller.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top + scroller.scrollTop };
  };

  const onDown = (event) => {
    if (event.button !== 0 || !view.sheet) return;
    scroller.focus({ preventScroll: true });
    const { x, y } = point(event);
    const hit = hitTest(view.sheet, x, y);
    down = null;
    if (hit.zone === "names") {
      view.moveCursor({ ...view.cursor, instrument: view.rows[hit.row] });
    } else if (hit.zone === "head" && hit.bar !== undefined) {
      view.anchor = event.shiftKey ? view.anchor ?? view.cursor.bar : hit.bar;
      const anchor = view.anchor;
      view.moveCursor({ ...view.cursor, bar: hit.bar, at: "0" }, false);
      view.select([Math.min(anchor, hit.bar), Math.max(anchor, hit.bar)]);
      down = { selecting: anchor };
    } else if (hit.zone === "wave" || hit.zone === "spectrum") {
      const grasped = graspedLine(view, hit.line, x);
      if (grasped !== null) down = { barLine: grasped, line: hit.line.index, x, start: x };
      else if (hit.bar !== undefined) view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    } else if (hit.zone === "rows") {
      onRow(event, hit, x, y);
    } else if (hit.zone === "marks") {
      const mark = piecesInLine(view.chart, hit.line).find((p) => x >= p.from && x < p.to)?.mark;
      if (mark) view.moveCursor({ ...view.cursor, bar: mark.start[0], at: mark.start[1] });
      else view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    } else if (hit.zone === "counts") {
      view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    }
    if (down) scroller.setPointerCapture(event.pointerId);
  };

  /** A hit near the mouse counts before an empty column, so that hits between columns can be met. */
  const onRow = (event, hit, x, y) => {
    const instrument = view.rows[hit.row];
    const near = noteNear(view, hit.line, instrument, x);
    if (near && !event.altKey) {
      const place = { bar: near.bar, at: near.note.at, instrument };
      const chosen = view.cursor.bar === place.bar && view.cursor.at === place.at && view.cursor.instrument === instrument
        && !view.selection && view.chosen === key(place);
      view.moveCursor(place);
      view.chosen = key(place);
      down = { note: place, again: chosen, x, y };
      return;
    }
    const spot = event.altKey ? nearestBetween(view.chart, hit.bar, hit.position)
      : nearestColumn(view.chart, hit.bar, hit.position);
    const place = { ...spot, instrument };
    view.moveCursor(place);
    if (!noteAt(view.chart, place.bar, place.at, instrument)) {
      view.edit({ edit: "add note", bar_index: place.bar, note: writtenNote(place.at, instrument) });
      view.chosen = key(place);
    }
  };

  const onMove = (event) => {
    if (!view.sheet) return;
    const { x, y } = point(event);
    if (!down) {
      const hit = hitTest(view.sheet, x, y);
      const grasp = (hit.zone === "wave" || hit.zone === "spectrum") && graspedLine(view, hit.line, x) !== null;
      scroller.style.cursor = grasp ? "ew-resize" : hit.zone === "head" ? "pointer" : hit.zone === "rows" ? "cell" : "default";
      return;
    }
    if (down.selecting !== undefined) {
      const hit = hitTest(view.sheet, x, y);
      if (hit.bar !== undefined) view.select([Math.min(down.selecting, hit.bar), Math.max(down.selecting, hit.bar)]);
    } else if (down.barLine !== undefined) {
      down.x = x;
      if (Math.abs(x - down.start) > 1) {
        view.drag = down;
        view.draw();
      }
    } else if (down.note && Math.hypot(x - down.x, y - down.y) > DRAG_PX) {
      down.dragged = true;
      scroller.style.cursor = "grabbing";
    }
  };

  const onUp = (event) => {
    const was = down;
    down = null;
    if (!was) return;
    const { x, y } = point(event);
    if (was.barLine !== undefined && view.drag) {
      view.drag = null;
      const seconds = timeAtX(view.sheet.lines[was.line], view.time, x);
      view.edit({ edit: "move bar line", bar_index: was.barLine, time_s: Math.round(seconds * 1e4) / 1e4 });
      view.draw();
    } else if (was.note && was.dragged) {
      const hit = hitTest(view.sheet, x, y);
      if (hit.zone !== "rows") return;
      const spot = event.altKey ? nearestBetween(view.chart, hit.bar, hit.position)
        : nearestColumn(view.chart, hit.bar, hit.position);
      const to = { ...spot, instrument: view.rows[hit.row] };
      if (key(to) !== key(was.note)) moveHit(view, to);
    } else if (was.note && was.again) {
      view.run("remove");
      view.chosen = null;
    }
  };

  const onOverview = (event) => {
    if (!view.chart || event.buttons !== 1) return;
    const box = overview.getBoundingClientRect();
    const n = view.chart.bars.length;
    const bar = Math.min(Math.max(Math.floor(((event.clientX - box.left) / box.width) * n), 0), n - 1);
    view.moveCursor({ ...view.cursor, bar, at: "0" });
    view.scroller.scrollTop = lineOf(view.sheet, bar).y;
  };

  scroller.addEventListener("pointerdown", onDown);
  scroller.addEventListener("pointermove", onMove);
  scroller.addEventListener("pointerup", onUp);
  scroller.addEventListener("pointercancel", () => { down = null; view.drag = null; });
  overview.addEventListener("pointerdown", onOverview);
  overview.addEventListener("pointermove", onOverview);
  return () => {};
}

const key = (place) => `${place.bar} ${place.at} ${place.instrument}`;

/** Index of the bar line under the mouse (the number of bars: the end), or null. */
function graspedLine(view, line, x) {
  for (const bar of line.bars) if (Math.abs(x - bar.x) <= GRASP_PX) return bar.bar;
  return Math.abs(x - line.right) <= GRASP_PX ? line.last : null;
}

function noteNear(view, line, instrument, x) {
  let best = null;
  for (const { bar, x: barX } of line.bars) {
    for (const note of view.chart.bars[bar].notes) {
      if (note.instrument !== instrument) continue;
      const distance = Math.abs(barX + valueOf(parseFraction(note.at)) * line.scale - x);
      if (distance <= 7 && (!best || distance < best.distance)) best = { bar, note, distance };
    }
  }
  return best;
}
