/** The menu at the pointer: what can be done with what lies there. */
import { hitsMeant } from "./chosen.js";
import { BAR_ACTS } from "./commands.js";
import { possibleAt } from "./possible.js";
import { make } from "./furniture.js";
import { capOf, keyOf } from "./toolbar.js";

/** @typedef {[string, string | (() => void)]} Item words, and a command or what to do */

/** @returns {Item[]} what applies to the hits that are meant */
function itemsOfHits(v, hits) {
  const { kit } = v.session.info;
  const many = hits.length > 1 ? ` ${hits.length} hits` : "";
  const able = ARTICULATIONS.filter(([name]) => hits.some(({ note }) => kit[note.instrument].articulations.includes(name)));
  return [[`Keep${many}`, "keep"], [`Remove${many}`, "remove"], ["Louder", "louder"], ["Softer", "softer"],
    ["To another drum …", () => openDrums(v)],
    ...able.map(([name, words]) => /** @type {Item} */ ([words, name])),
    ["Right hand", "right hand"], ["Left hand", "left hand"],
    ["All like this", "all alike"], ["In every bar", "in every bar"], ["Copy", "copy"], ["Repeat after", "repeat"]];
}

const ARTICULATIONS = [["ghost", "Ghost"], ["accent", "Accent"], ["flam", "Flam"], ["drag", "Drag"], ["roll", "Roll"],
  ["rim shot", "Rim shot"], ["choke", "Choke"], ["half open", "Half open"], ["foot splash", "Foot splash"]];

/** @type {Item[]} */
const OF_BARS = [["Done: keep all hits", "keep bars"], ["Copy hits", "copy"], ["Paste", "paste"], ["Take hits out", "cut"],
  ["Repeat after", "repeat"], ["Play", "play"], ["Section here", "section"], ["Split bar here", "split bar"],
  ["Join with next bar", "join bars"],
  ["Lay anew from here by ear", "lay anew"], ["Fix line or let it go", "fix line"]];

let shown = null;

/** Open the menu at a point of the page. */
export function openMenu(v, x, y, ofBars) {
  const hits = ofBars ? [] : hitsMeant(v);
  const possible = possibleAt(v.chart, v.time, v.cursor) ? [["Write the possible hit", "keep"], ["Refuse it", "reject"]] : [];
  const empty = [...possible, ["Write a hit", "toggle"], ["Paste", "paste"], ["Fill the row", "fill row"], ["Section here", "section"],
    ["Fill from here", "mark fill"]];
  const acts = Object.entries(BAR_ACTS).map(([command, will]) => [will(v), command]);
  show(v, x, y, ofBars ? [...OF_BARS, ...acts] : hits.length ? itemsOfHits(v, hits) : empty);
}

function openDrums(v) {
  const box = shown.getBoundingClientRect();
  show(v, box.left, box.top, Object.keys(v.session.info.kit).map((name) => [name, () => v.run("to drum", name)]));
}

function show(v, x, y, items) {
  closeMenu();
  const list = make("div", "wbg-menu", { role: "menu" });
  for (const [words, act] of items) {
    const item = make("button", "", { type: "button", role: "menuitem" });
    const key = typeof act === "string" && keyOf(act);
    item.append(words, ...(key ? [cap(key)] : []));
    item.addEventListener("click", () => {
      if (typeof act === "string") {
        closeMenu();
        v.run(act);
      } else act();
      if (!shown) v.takeKeys();
    });
    list.append(item);
  }
  list.addEventListener("keydown", (event) => {
    const all = [...list.children];
    const here = all.indexOf(document.activeElement);
    const to = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: -1 }[event.key];
    if (to !== undefined) all.at(to % all.length).focus();
    else if (event.key === "Escape" || event.key === "Tab") {
      closeMenu();
      v.takeKeys();
    } else return;
    event.preventDefault();
  });
  list.popover = "manual";
  v.el.append(list);
  list.showPopover();
  list.style.left = `${Math.max(Math.min(x, window.innerWidth - list.offsetWidth - 4), 0)}px`;
  list.style.top = `${Math.max(Math.min(y, window.innerHeight - list.offsetHeight - 4), 4)}px`;
  shown = list;
  list.firstChild?.focus({ preventScroll: true });
  const elsewhere = (event) => {
    if (!list.contains(event.target)) closeMenu();
  };
  document.addEventListener("pointerdown", elsewhere, true);
  list.closing = () => document.removeEventListener("pointerdown", elsewhere, true);
}

const cap = (key) => {
  const e = make("span", "wbg-cap");
  e.textContent = capOf(key);
  return e;
};

export function closeMenu() {
  shown?.closing();
  shown?.remove();
  shown = null;
}
