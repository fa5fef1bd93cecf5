/**
 * The grid in the page around it: as high as fits a window with its tools, in view after "Run All",
 * and scrolled so that what the cursor has gone to is on the screen.
 */
const FRAMES = ".jp-WindowedPanel-outer, .jp-Notebook, #notebook-container, #site";
/** Time after which the grid is no longer brought back into view by itself, ms. */
const BROUGHT_BACK_MS = 120000;

/** The part of the page that scrolls around the grid, or null: the window. @param {HTMLElement} el */
export function frameOf(el) {
  for (let e = el.parentElement; e; e = e.parentElement) {
    if (e.matches(FRAMES) && e.scrollHeight >= e.clientHeight && /auto|scroll/.test(getComputedStyle(e).overflowY)) return e;
  }
  return null;
}

/** Top and bottom of what is seen of the page. */
function sight(frame) {
  if (!frame) return { top: 0, bottom: window.innerHeight };
  const box = frame.getBoundingClientRect();
  return { top: Math.max(box.top, 0), bottom: Math.min(box.bottom, window.innerHeight) };
}

/** Height that is left for the sheet in one window, beside all else of the grid. */
export function roomForSheet(view) {
  const { top, bottom } = sight(frameOf(view.el));
  return bottom - top - (view.el.offsetHeight - view.scroller.offsetHeight) - 12;
}

/** Scroll the page so that a stretch of it (page coordinates) is seen, its top before its bottom. */
export function bringIntoSight(el, top, bottom) {
  const frame = frameOf(el);
  const seen = sight(frame);
  const by = top < seen.top + 4 ? top - seen.top - 4 : bottom > seen.bottom - 4 ? Math.min(bottom - seen.bottom + 4, top - seen.top - 4) : 0;
  if (by) (frame || window).scrollBy(0, by);
}

let kept = false;

/**
 * Keep a new grid in view while the cells below it run: a notebook scrolls to the last of them.
 * The first press, key or turn of the wheel ends it.
 * @returns {() => void} end it
 */
export function keepInView(view) {
  if (kept) return () => {};
  kept = true;
  const { el } = view;
  let frame = null;
  let asked = 0;
  const bring = () => {
    cancelAnimationFrame(asked);
    asked = requestAnimationFrame(() => {
      if (!el.isConnected || !el.offsetHeight) return;
      const box = el.getBoundingClientRect();
      bringIntoSight(el, box.top, box.bottom);
    });
  };
  const size = new ResizeObserver(() => {
    if (!frame && el.isConnected) {
      frame = frameOf(el);
      (frame || window).addEventListener("scroll", bring, { passive: true });
    }
    bring();
  });
  size.observe(el);
  const gestures = ["pointerdown", "wheel", "keydown", "touchstart"];
  const end = () => {
    size.disconnect();
    cancelAnimationFrame(asked);
    clearTimeout(timer);
    (frame || window).removeEventListener("scroll", bring);
    gestures.forEach((g) => document.removeEventListener(g, end, true));
    kept = false;
  };
  const timer = setTimeout(end, BROUGHT_BACK_MS);
  gestures.forEach((g) => document.addEventListener(g, end, { capture: true, passive: true }));
  return end;
}
