/**
 * Where key presses go.  From anywhere in the grid's place on the page (sheet, buttons, panels, title, the score
 * beneath) they go to the grid, and none reaches the notebook, whose own keys cut and merge cells.  Escape gives
 * the keys back, and the page shows whose they are.
 */
import { shortcutOf } from "./keys.js";

/** Keys that a control which has the focus uses itself. @type {[string, RegExp][]} */
const OWN_KEYS = [
  ["select", /^(Arrow|Enter$| $|Home$|End$|Page|Tab$|F\d)/],
  ["input[type=range]", /^(Arrow|Home$|End$|Page|Tab$)/],
  ["button, summary, a[href], input[type=checkbox]", /^(Enter$| $|Tab$)/],
  [".wbs, .wbg-keys", /^(ArrowUp$|ArrowDown$|Page|Home$|End$|Tab$)/],
  ["*", /^(Tab$|F\d)/],
];
const TEXT = "textarea, input:not([type=range]):not([type=checkbox]), [contenteditable=true]";

/** Whether a key press belongs to the control in which it happened. @param {KeyboardEvent} event */
function isOwn(event) {
  const { target, key } = event;
  if (target.closest(TEXT)) return true;
  if (event.ctrlKey || event.metaKey || event.altKey) return false;
  return OWN_KEYS.some(([selector, keys]) => target.closest(selector) && keys.test(key));
}

/** The grid's place: the outermost box of widgets that holds it, or itself. @param {HTMLElement} el */
function placeOf(el) {
  let place = el;
  for (let e = el; e; e = e.parentElement) if (e.matches(".jupyter-widgets, .widget-box, .wbg")) place = e;
  return place;
}

/** Take the keys for a view once it stands in the page. @returns {() => void} give them up */
export function attachKeys(view) {
  const { el } = view;
  let place = null;
  const show = (here) => { el.dataset.keys = here ? "here" : "away"; };
  const listeners = {
    keydown: (event) => {
      // Nothing of it reaches the notebook, whatever it is.
      event.stopPropagation();
      if (isOwn(event) || event.defaultPrevented) return;
      const shortcut = shortcutOf(event);
      if (!shortcut || !view.chart) return;
      event.preventDefault();
      view.run(shortcut.command, event.key, event);
    },
    keyup: (event) => event.stopPropagation(),
    keypress: (event) => event.stopPropagation(),
    focusin: (event) => {
      // Notebooks that look at a press before it comes here pass over what says so itself.
      event.target.dataset.lmSuppressShortcuts = "true";
      show(true);
      if (event.target === place) view.takeKeys();
    },
    focusout: (event) => { if (!place.contains(event.relatedTarget)) show(false); },
  };
  const attach = () => {
    if (!el.isConnected) {
      waiting = requestAnimationFrame(attach);
      return;
    }
    place = placeOf(el);
    // A press anywhere in it (a title, a gap between controls) brings the keys.
    if (!place.hasAttribute("tabindex")) place.tabIndex = -1;
    place.dataset.lmSuppressShortcuts = "true";
    for (const [name, listener] of Object.entries(listeners)) place.addEventListener(name, listener);
    show(place.contains(document.activeElement));
  };
  let waiting = requestAnimationFrame(attach);
  return () => {
    cancelAnimationFrame(waiting);
    for (const [name, listener] of Object.entries(listeners)) place?.removeEventListener(name, listener);
  };
}

/** Give the keys back to the notebook, or to the page. */
export function giveKeysBack(view) {
  document.activeElement?.blur();
  view.el.closest(".jp-Notebook")?.focus();
}
