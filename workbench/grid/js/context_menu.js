/** The menu at the pointer: what can be done with what lies there. */
import { isDoubtful } from "./chart.js";
import { changeEdit, chosenOf, hitsMeant, hitsOf, removeEdit, together } from "./chosen.js";
import { BAR_ACTS } from "./commands.js";
import { answerEdits, possibleAt, possibleOf } from "./possible.js";
import { make } from "./furniture.js";
import { capOf, keyOf } from "./toolbar.js";

/** @typedef {[string, string | (() => void)]} Item words, and a command or what to do */

/** @returns {Item[]} what applies to the hits that are meant */
function itemsOfHits(v, hits) {
  const { kit } = v.session.info;
  const many = hits.length > 1 ? ` ${hits.length} hits` : "";
  const able = ARTICULATIONS.filter(([name]) => hits.some(({ note }) => kit[note.instrument].articulations.includes(name)));
  return [[`Keep${many}`, "keep"], [`Remove${many}`, "remove"], ["Louder", "louder"], ["Softer", "softer"],
    ["To another drum …", () => giveTo(v)],
    ...able.map(([name, words]) => /** @type {Item} */ ([words, name])),
    ["Right hand", "right hand"], ["Left hand", "left hand"],
    ["All like this", "all alike"], ["In every bar", "in every bar"], ["Copy", "copy"], ["Repeat after", "repeat"]];
}

const ARTICULATIONS = [["ghost", "Ghost"], ["accent", "Accent"], ["flam", "Flam"], ["drag", "Drag"], ["double", "Double"], ["roll", "Roll"],
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

/** The menu of a row at its name: all its hits, its doubts, its possible hits, in the selected bars or the whole song. */
export function openRowMenu(v, x, y, instrument) {
  v.moveCursor({ ...v.cursor, instrument }, false);
  const stretch = v.selection || [0, v.chart.bars.length - 1];
  const hits = hitsOf(v.chart, stretch, (n) => n.instrument === instrument);
  const doubts = hits.filter(({ note }) => isDoubtful(note, v.doubtBelow));
  const possible = possibleOf(v.chart, v.time, stretch).filter((h) => h.instrument === instrument);
  const choose = (some) => () => {
    closeMenu();
    v.choose(chosenOf(some));
    v.sayChosen();
  };
  const act = (edit, done) => () => {
    closeMenu();
    v.session.edit(edit);
    v.say(`${done}${v.selection ? " in the selected bars" : " in the whole song"}; Ctrl Z takes back.`);
  };
  const its = (some, what) => `its ${some.length > 1 ? `${some.length} ${what.replace("hit", "hits")}` : what}`;
  /** @type {Item[]} */
  const items = [];
  if (hits.length) items.push([`Choose ${its(hits, "hit")}`, choose(hits)]);
  if (doubts.length) {
    items.push([`Choose ${its(doubts, "hit in doubt")}`, choose(doubts)],
      [`Keep ${its(doubts, "hit in doubt")}`, act(changeEdit(doubts, () => ({ confirmed: true }), "keep"), `${doubts.length} kept`)],
      [`Take out ${its(doubts, "hit in doubt")}`, act(removeEdit(doubts, "remove hits"), `${doubts.length} taken out`)]);
  }
  if (possible.length) {
    items.push([`Write ${its(possible, "possible hit")}`,
      act(together(answerEdits(possible, true), "write possible hits"), `${possible.length} written`)],
    [`Refuse ${its(possible, "possible hit")}`,
      act(together(answerEdits(possible, false), "refuse possible hits"), `${possible.length} refused`)]);
  }
  if (hits.length) {
    items.push([`Give ${its(hits, "hit")} to another drum …`, () => {
      v.choose(chosenOf(hits));
      giveTo(v);
    }]);
  }
  items.push(["Fill the row in this bar", "fill row"]);
  show(v, x, y, items);
}

function giveTo(v) {
  const { left, top } = shown.getBoundingClientRect();
  openDrums(v, left, top, (name) => v.run("to drum", name));
}

/** The drums of the kit, one to be chosen. @param {(name: string) => void} chosen @param {string} but not offered */
export function openDrums(v, x, y, chosen, but = "") {
  show(v, x, y, Object.keys(v.session.info.kit).filter((name) => name !== but).map((name) => [name, () => {
    closeMenu();
    chosen(name);
  }]));
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
