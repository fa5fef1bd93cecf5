/**
 * The pointer on the sheet and the overview: mouse, pen and finger.
 * One rule: a click writes where nothing is and chooses what is there; a double click removes it.
 */
import { hitTest, nearestBetween, nearestColumn, rowAt, samePlace, timeAtX, lineOf, xOf } from "./timeline.js";
import { noteAt } from "./chart.js";
import { parseFraction, valueOf } from "./fractions.js";
import { chosenOf, hitsOf, placeKey } from "./chosen.js";
import { possibleOf } from "./possible.js";
import { capital, inBars, moveHits } from "./commands.js";
import { copiedBars, pasteEdit } from "./edits.js";
import { openMenu, openRowMenu } from "./context_menu.js";
import { piecesInLine } from "./marks.js";

/** How far the pointer must go before a click is a drag, in pixels. */
const DRAG_PX = 5;
/** Longest time from the first click of a double click to its end, ms (common practice, no source). */
const DOUBLE_MS = 800;
/** How near to a bar line it is grasped, in pixels. */
const GRASP_PX = 5;
/** How near to a hit it is met, in pixels; fingers are broader. */
const NEAR_PX = { mouse: 8, pen: 10, touch: 16 };
/** Change of the distance of two fingers that makes bars wider or narrower. */
const PINCH = 1.35;

/** @param {any} view @returns {() => void} detach */
export function attachMouse(view) {
  const { scroller, overview } = view;
  /** What the pointer that is down does. @type {any} */
  let down = null;
  /** Where each finger is. @type {Map<number, {x: number, y: number}>} */
  const fingers = new Map();
  let spread = 0;
  /** The hit that was written last, and when: the second click of a double click does not remove it. */
  let written = { key: "", at: 0 };

  const point = (event) => {
    const box = scroller.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top + scroller.scrollTop };
  };

  const placeUnder = (event, hit) => ({ instrument: view.rows[hit.row],
    ...(event.altKey ? nearestBetween : nearestColumn)(view.chart, hit.bar, hit.position) });

  const onDown = (event) => {
    if (event.pointerType === "touch") {
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      spread = spreadOf(fingers);
      if (fingers.size > 1) down = null;
    }
    if (event.button !== 0 || !view.sheet || fingers.size > 1) return;
    view.takeKeys();
    const { x, y } = point(event);
    const hit = hitTest(view.sheet, x, y);
    down = null;
    // How far it is drawn is told by the hand, not by a page that scrolls under it.
    const start = { x, y, atX: event.clientX, atY: event.clientY };
    if (hit.zone === "names") {
      const instrument = view.rows[hit.row];
      view.moveCursor({ ...view.cursor, instrument }, false);
      const within = view.selection || [0, view.chart.bars.length - 1];
      view.choose(chosenOf(hitsOf(view.chart, within, (n) => n.instrument === instrument)), event.shiftKey);
      view.say(`${view.chosen.size} hits of the ${instrument} chosen${view.selection ? " in the selected bars" : ""}.`);
    } else if (hit.zone === "head" && hit.bar !== undefined && (event.ctrlKey || event.metaKey)) {
      const [first, last] = view.selection || [];
      down = { copying: hit.bar >= first && hit.bar <= last ? [first, last] : [hit.bar, hit.bar], onto: hit.bar, ...start };
    } else if (hit.zone === "head" && hit.bar !== undefined) {
      view.anchor = event.shiftKey ? view.anchor ?? view.cursor.bar : hit.bar;
      const anchor = view.anchor;
      view.moveCursor({ ...view.cursor, ...samePlace(view.chart, view.cursor, hit.bar) }, false);
      view.select([Math.min(anchor, hit.bar), Math.max(anchor, hit.bar)]);
      down = { selecting: anchor };
    } else if (hit.zone === "wave" || hit.zone === "spectrum") {
      const grasped = graspedLine(view, hit.line, x);
      if (grasped !== null) down = { barLine: grasped, line: hit.line.index, x, start: x };
      else if (hit.bar !== undefined) {
        view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
        down = { scrub: hit.line.index, ...start };
        view.scrub(hit.line, x);
      }
    } else if (hit.zone === "rows") {
      const instrument = view.rows[hit.row];
      const near = event.altKey ? null : noteNear(view, hit.line, instrument, x, NEAR_PX[event.pointerType] ?? NEAR_PX.mouse);
      const place = near ? { bar: near.bar, at: near.note.at, instrument } : placeUnder(event, hit);
      if (event.shiftKey) chooseBetween(view, view.chooseFrom ?? view.cursor, place);
      else if (event.ctrlKey || event.metaKey) {
        if (near) view.choose(new Map([[placeKey(place), place]]), true);
        view.moveCursor(place, false);
      } else if (near) {
        const among = view.chosen.has(placeKey(place));
        view.moveCursor(place, !among);
        down = { hit: place, among, ...start };
      } else down = { empty: place, ...start };
      if (!event.shiftKey) view.chooseFrom = place;
    } else if (hit.zone === "marks") {
      const mark = piecesInLine(view.chart, hit.line).find((p) => x >= p.from && x < p.to)?.mark;
      if (mark) view.moveCursor({ ...view.cursor, bar: mark.start[0], at: mark.start[1] });
      else view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    } else if (hit.zone === "counts") {
      view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) });
    }
    if (down) scroller.setPointerCapture(event.pointerId);
  };

  const onMove = (event) => {
    if (!view.sheet) return;
    if (fingers.has(event.pointerId)) {
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (fingers.size > 1) return onPinch();
    }
    const { x, y } = point(event);
    if (!down) {
      const hit = hitTest(view.sheet, x, y);
      const grasp = (hit.zone === "wave" || hit.zone === "spectrum") && graspedLine(view, hit.line, x) !== null;
      scroller.style.cursor = grasp ? "ew-resize" : hit.zone === "head" || hit.zone === "names" ? "pointer"
        : hit.zone === "rows" ? "cell" : "default";
      view.hover(hit.zone === "rows" || hit.zone === "names" ? hit.row : -1);
      return;
    }
    const far = Math.hypot(event.clientX - down.atX, event.clientY - down.atY) > DRAG_PX;
    if (down.copying) {
      const hit = hitTest(view.sheet, x, y);
      if (far && hit.bar !== undefined) {
        down.onto = hit.bar;
        scroller.style.cursor = "copy";
        view.say(`${capital(inBars(view, down.copying).slice(3))} onto what is ${inBars(view, coveredBy(view, down))}: let go to copy.`);
      }
    } else if (down.selecting !== undefined) {
      const hit = hitTest(view.sheet, x, y);
      if (hit.bar !== undefined) view.select([Math.min(down.selecting, hit.bar), Math.max(down.selecting, hit.bar)]);
    } else if (down.barLine !== undefined) {
      down.x = x;
      if (Math.abs(x - down.start) > 1) {
        view.drag = down;
        view.draw();
      }
    } else if (down.scrub !== undefined) {
      view.scrub(view.sheet.lines[down.scrub], x);
    } else if (down.hit && far) {
      down.dragged = true;
      scroller.style.cursor = "grabbing";
    } else if (down.empty && (far || down.box)) {
      down.box = { x0: Math.min(x, down.x), y0: Math.min(y, down.y), x1: Math.max(x, down.x), y1: Math.max(y, down.y) };
      view.drag = down;
      view.choose(placesInBox(view, down.box, [rowUnder(view, down.y), rowUnder(view, y)]));
      view.draw();
    }
  };

  const onUp = (event) => {
    fingers.delete(event.pointerId);
    const was = down;
    down = null;
    if (!was) return;
    const { x, y } = point(event);
    if (was.barLine !== undefined && view.drag) {
      view.drag = null;
      const seconds = timeAtX(view.sheet.lines[was.line], view.time, x);
      view.edit({ edit: "move bar line", bar_index: was.barLine, time_s: Math.round(seconds * 1e4) / 1e4 });
      view.draw();
    } else if (was.copying) {
      copyOnto(view, was);
    } else if (was.selecting !== undefined) {
      // What is drawn over is what loops.
      if (view.listener.state !== "stopped") view.startPlaying();
    } else if (was.box) {
      view.drag = null;
      view.sayChosen();
      view.draw();
    } else if (was.hit && was.dragged) {
      const hit = hitTest(view.sheet, x, y);
      if (hit.zone === "rows") moveHits(view, was.hit, placeUnder(event, hit));
    } else if (was.hit && was.among) {
      view.moveCursor(was.hit);
    } else if (was.empty) {
      const place = was.empty;
      view.moveCursor(place);
      if (noteAt(view.chart, place.bar, place.at, place.instrument)) return;
      view.run("toggle");
      written = { key: placeKey(place), at: event.timeStamp };
    }
  };

  const onDouble = (event) => {
    const { x, y } = point(event);
    const hit = view.sheet && hitTest(view.sheet, x, y);
    if (!hit || hit.zone !== "rows") return;
    const near = noteNear(view, hit.line, view.rows[hit.row], x, NEAR_PX.mouse);
    const justWritten = written.key === placeKey(view.cursor) && event.timeStamp - written.at < DOUBLE_MS;
    if (!near || justWritten) return;
    view.run("remove");
    view.say("Removed; Ctrl Z brings it back.");
  };

  const onPinch = () => {
    const now = spreadOf(fingers);
    if (!spread || (now / spread < PINCH && spread / now < PINCH)) return;
    view.zoom(now > spread ? -1 : 1);
    spread = now;
  };

  const onMenu = (event) => {
    if (!view.sheet) return;
    event.preventDefault();
    // The notebook has a menu of its own.
    event.stopPropagation();
    down = null;
    const { x, y } = point(event);
    const hit = hitTest(view.sheet, x, y);
    if (hit.zone === "names") return openRowMenu(view, event.clientX, event.clientY, view.rows[hit.row]);
    if (hit.bar === undefined) return;
    const bars = hit.zone === "head" || hit.zone === "wave" || hit.zone === "spectrum" || hit.zone === "counts";
    if (bars) {
      const inside = view.selection && hit.bar >= view.selection[0] && hit.bar <= view.selection[1];
      view.moveCursor({ ...view.cursor, ...nearestColumn(view.chart, hit.bar, hit.position) }, !inside);
    } else if (hit.zone === "rows") {
      const near = noteNear(view, hit.line, view.rows[hit.row], x, NEAR_PX.mouse);
      const place = near ? { bar: near.bar, at: near.note.at, instrument: view.rows[hit.row] } : placeUnder(event, hit);
      view.moveCursor(place, !view.chosen.has(placeKey(place)));
    }
    openMenu(view, event.clientX, event.clientY, bars);
  };

  const onWheel = (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    view.zoom(event.deltaY < 0 ? -1 : 1);
  };

  const onOverview = (event) => {
    if (!view.chart || event.buttons !== 1) return;
    const box = overview.getBoundingClientRect();
    const n = view.chart.bars.length;
    const bar = Math.min(Math.max(Math.floor(((event.clientX - box.left) / box.width) * n), 0), n - 1);
    view.moveCursor({ ...view.cursor, bar, at: "0" });
    view.scroller.scrollTop = lineOf(view.sheet, bar).y;
  };

  const onCancel = (event) => {
    fingers.delete(event.pointerId);
    down = null;
    view.drag = null;
    view.draw();
  };
  const listen = { pointerdown: onDown, pointermove: onMove, pointerup: onUp, pointercancel: onCancel, dblclick: onDouble,
    contextmenu: onMenu, pointerleave: () => view.hover(-1) };
  for (const [name, act] of Object.entries(listen)) scroller.addEventListener(name, act);
  scroller.addEventListener("wheel", onWheel, { passive: false });
  overview.addEventListener("pointerdown", (event) => {
    view.takeKeys();
    onOverview(event);
  });
  overview.addEventListener("pointermove", onOverview);
  return () => {};
}

/** Bars that are covered where bars are drawn onto others. */
function coveredBy(view, { copying: [first, last], onto }) {
  return [onto, Math.min(onto + last - first, view.chart.bars.length - 1)];
}

/** Write the hits of bars over those of others. */
function copyOnto(view, drawn) {
  const { copying: [first, last], onto } = drawn;
  if (onto >= first && onto <= last) return;
  const covered = coveredBy(view, drawn);
  view.edit(pasteEdit(view.chart, copiedBars(view.chart, first, last), onto));
  view.moveCursor({ ...view.cursor, ...samePlace(view.chart, view.cursor, onto) });
  view.say(`Copied ${inBars(view, [first, last]).slice(3)} over what was ${inBars(view, covered)}; Ctrl Z brings it back.`);
}

function spreadOf(fingers) {
  const [a, b] = fingers.values();
  return b ? Math.hypot(a.x - b.x, a.y - b.y) : 0;
}

/** Index of the bar line under the mouse (the number of bars: the end), or null. */
function graspedLine(view, line, x) {
  for (const bar of line.bars) if (Math.abs(x - bar.x) <= GRASP_PX) return bar.bar;
  return Math.abs(x - line.right) <= GRASP_PX ? line.last : null;
}

/** A hit near the pointer counts before an empty column, so that hits between columns can be met. */
function noteNear(view, line, instrument, x, within) {
  let best = null;
  for (const { bar, x: barX } of line.bars) {
    for (const note of view.chart.bars[bar].notes) {
      if (note.instrument !== instrument) continue;
      const distance = Math.abs(barX + valueOf(parseFraction(note.at)) * line.scale - x);
      if (distance <= within && (!best || distance < best.distance)) best = { bar, note, distance };
    }
  }
  return best;
}

/** The row at a height of the sheet. */
const rowUnder = (view, y) => rowAt(view.sheet, y - view.sheet.lineHeight * Math.floor(y / view.sheet.lineHeight));

/**
 * Hits, and possible ones, in a frame from its left to its right: in the rows between the one where it began and the one
 * where it ends, of every line that it touches, so that what stands one under the other can be framed alone.
 */
function placesInBox(view, { x0, y0, x1, y1 }, between) {
  const rows = view.rows.slice(Math.min(...between), Math.max(...between) + 1);
  const found = new Map();
  for (const line of view.sheet.lines) {
    if (line.y > y1 || line.y + view.sheet.rowsBottom < y0) continue;
    const inside = ({ bar, at, instrument }) => {
      const x = xOf(view.sheet, bar, valueOf(parseFraction(at)));
      return rows.includes(instrument) && x >= x0 && x <= x1;
    };
    for (const [key, place] of placesOf(view, [line.first, line.last - 1], inside)) found.set(key, place);
  }
  return found;
}

/** Places of hits and possible hits of bars that a test lets through, as a view holds what is chosen. */
function placesOf(view, bars, wanted) {
  const hits = hitsOf(view.chart, bars, (note, bar) => wanted({ bar, at: note.at, instrument: note.instrument }));
  const possible = possibleOf(view.chart, view.time, bars).filter(wanted);
  return new Map([...chosenOf(hits), ...possible.map(({ bar, at, instrument }) =>
    /** @type {[string, any]} */ ([placeKey({ bar, at, instrument }), { bar, at, instrument }]))]);
}

/** Choose every hit between two places: from the earlier to the later, in the rows between. */
function chooseBetween(view, a, b) {
  const order = (p) => p.bar + valueOf(parseFraction(p.at)) / 1000;
  const [from, to] = order(a) <= order(b) ? [a, b] : [b, a];
  const rows = [view.rowOf.get(a.instrument), view.rowOf.get(b.instrument)].sort((x, y) => x - y);
  view.choose(placesOf(view, [from.bar, to.bar], (place) => {
    const row = view.rowOf.get(place.instrument);
    return row >= rows[0] && row <= rows[1] && order(place) >= order(from) && order(place) <= order(to);
  }));
  view.sayChosen();
}
