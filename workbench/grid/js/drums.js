/**
 * The drums of the chart, each as a whole: hear its clearest strokes, say what it really is, or take it out.
 * Python chooses the strokes and does the naming (workbench.chart.drums); here is what is counted and asked for.
 */
import { barsSaid, isDoubtful, noteAt } from "./chart.js";
import { chosenOf, hitsAt } from "./chosen.js";
import { openDrums } from "./context_menu.js";
import { make } from "./furniture.js";
import { possibleByBar } from "./possible.js";

/** A drum is mostly in doubt: DOUBTED_FROM and DOUBTED_PART in Python. */
const DOUBTED_FROM = 8;
const DOUBTED_PART = 0.5;

/** @typedef {{name: string, hits: number, doubts: number, confirmed: number, possible: number}} Drum */

/** Whether a whole drum is mostly in doubt, so that it should be listened to as a whole. @param {Drum} drum */
export const isDoubted = ({ hits, doubts, confirmed }) => hits >= DOUBTED_FROM && !confirmed && doubts >= DOUBTED_PART * hits;

/** Bars and, where hits are chosen, their places: what an act on drums is for. */
export function stretchOf({ chart, chosen, selection }) {
  if (!chosen.size) return { bars: selection ?? [0, chart.bars.length - 1] };
  const places = [...chosen.values()];
  const bars = places.map((p) => p.bar);
  return { bars: [Math.min(...bars), Math.max(...bars)], places };
}

/**
 * The drums that are written or possible, in the order of the rows of the kit.
 * @param {{bars: [number, number], places?: any[]}} stretch @param {Record<string, any>} kit @returns {Drum[]}
 */
export function drumsOf(chart, time, below, { bars: [first, last], places }, kit) {
  const drums = new Map();
  const chosen = places && new Set(places.map((p) => `${p.bar} ${p.at} ${p.instrument}`));
  const drum = (bar, { at, instrument: name }) => {
    if (chosen && !chosen.has(`${bar} ${at} ${name}`)) return null;
    if (!drums.has(name)) drums.set(name, { name, hits: 0, doubts: 0, confirmed: 0, possible: 0 });
    return drums.get(name);
  };
  for (let bar = first; bar <= last; bar++) {
    for (const note of chart.bars[bar].notes) {
      const its = drum(bar, note);
      if (!its) continue;
      its.hits += 1;
      if (note.confirmed) its.confirmed += 1;
      else if (isDoubtful(note, below)) its.doubts += 1;
    }
    for (const hit of possibleByBar(chart, time).get(bar) || []) {
      const its = drum(bar, hit);
      if (its) its.possible += 1;
    }
  }
  const order = Object.keys(kit);
  return [...drums.values()].sort((a, b) => order.indexOf(a.name) - order.indexOf(b.name));
}

/** The edit that names a drum in a stretch; `to` "": it is taken out. */
export const nameEdit = (name, to, { bars: [first, last], places }) => ({ edit: "name drum", old: name, new: to, first_bar: first, last_bar: last,
  ...(places ? { places: places.filter((p) => p.instrument === name).map((p) => [p.bar, p.at]) } : {}) });

/** A drum's hits in words: "163 hits, 150 in doubt, 12 possible". @param {Drum} drum */
export const drumWords = ({ hits, doubts, confirmed, possible }) => [(hits || !possible) && `${hits} hit${hits === 1 ? "" : "s"}`, confirmed && `${confirmed} confirmed`,
  doubts && `${doubts} in doubt`, possible && `${possible} possible`].filter(Boolean).join(", ");

/** "the 163 open hi-hats" @param {Drum} drum */
const allOf = ({ name, hits }) => `the ${hits} ${name}${/[sc]h$/.test(name) ? "es" : /s$/.test(name) ? "" : "s"}`;

/** What is said, once of each drum, of those that are mostly in doubt; "" for nothing. @param {Drum[]} drums @param {Set<string>} told */
export function doubtedWords(drums, told) {
  const all = drums.filter((d) => isDoubted(d) && !told.has(d.name));
  all.forEach((d) => told.add(d.name));
  const said = all.map((d) => `${d.doubts} of ${allOf(d)}`);
  if (!said.length) return "";
  const list = [said.slice(0, -1).join(", "), said.at(-1)].filter(Boolean).join(" and ");
  return `${list} are in doubt: Drums (H) lets you hear and name them at once`;
}

/** The panel: a line for each drum. */
export class DrumPanel {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-drums");
    this.list = make("div", "wbg-drums-list", { role: "list", "aria-label": "Drums" });
    this.element.append(this.list);
    this.where = make("div", "wbg-words");
    /** Lines by drum. @type {Map<string, any>} */
    this.lines = new Map();
  }

  /** Bring what is shown up to date; costs nothing while nothing has changed. */
  update() {
    const { view } = this;
    const { chart, chosen, selection, doubtBelow, listener } = view;
    const heard = listener.playing?.passage.drum;
    const shown = [chart, chosen, selection, doubtBelow, heard];
    if (shown.every((x, k) => x === this.shown?.[k])) return;
    this.shown = shown;
    const { kit } = view.session.info;
    const stretch = stretchOf(view);
    const drums = new Map(drumsOf(chart, view.time, doubtBelow, stretch, kit).map((d) => [d.name, d]));
    // Every drum that the song has, or had since the panel was opened: no line comes or goes under a pointer that frames hits.
    const whole = { bars: [0, chart.bars.length - 1] };
    for (const { name } of drumsOf(chart, view.time, doubtBelow, whole, kit)) if (!this.lines.has(name)) this.lines.set(name, this.line(name));
    this.where.textContent = chosen.size ? "Of the chosen hits; confirmed hits stay as they are."
      : selection ? `In ${barsSaid(chart, ...selection)}; confirmed hits stay as they are.`
        : "In the whole song; select bars or frame hits to mean these alone. Confirmed hits stay as they are.";
    Object.keys(kit).filter((name) => this.lines.has(name)).forEach((name, k) => {
      const { element, words, hear } = this.lines.get(name);
      if (this.list.children[k] !== element) this.list.insertBefore(element, this.list.children[k] ?? null);
      const drum = drums.get(name);
      tell(words, drum ? drumWords(drum) : "none");
      words.classList.toggle("wbg-doubted", Boolean(drum) && isDoubted(drum));
      hear.textContent = heard === name ? "Stop" : "Hear";
      hear.setAttribute("aria-pressed", String(heard === name));
    });
  }

  line(name) {
    const { view } = this;
    const element = make("div", "wbg-drum", { role: "listitem" });
    const label = make("span", "wbg-drum-name");
    label.textContent = name;
    const words = make("span", "wbg-words");
    const act = (text, said, title, does) => {
      const b = make("button", "wbg-button", { type: "button", "aria-label": said, title });
      b.textContent = text;
      b.addEventListener("click", () => does(b));
      return b;
    };
    const hear = act("Hear", `Hear the ${name}`, "Its clearest strokes, one after the other", () => hearDrum(view, name));
    element.append(label, words, hear,
      act("Rename …", `Rename the ${name} …`, "Give its hits to another drum: one step, every hit keeps its time", (b) => {
        const { left, bottom } = b.getBoundingClientRect();
        openDrums(view, left, bottom, (to) => nameDrum(view, name, to), name);
      }),
      act("Take all out", `Take all of the ${name} out`, "One step; Ctrl Z brings them back", () => nameDrum(view, name, "")));
    return { element, words, hear };
  }
}

/** Name a drum, or take it out; Python says what was done. Hits that were chosen stay chosen under their new name. */
function nameDrum(view, name, to) {
  const places = [...view.chosen.values()];
  const seq = view.session.edit(nameEdit(name, to, stretchOf(view)));
  if (!places.length) return;
  const stop = view.session.listen(() => {
    if (view.session.pending.some((p) => p.seq === seq)) return;
    stop();
    const { chart } = view;
    const moved = places.map((p) => (p.instrument === name && !noteAt(chart, p.bar, p.at, name) ? { ...p, instrument: to } : p));
    view.choose(chosenOf(hitsAt(chart, moved)));
  });
}

/** Show words that break after commas only. */
function tell(element, words) {
  if (element.textContent === words) return;
  element.replaceChildren(...words.split(/(?<=,) /).flatMap((part, k) => {
    const e = make("span", "wbg-stated");
    e.textContent = part;
    return k ? [" ", e] : [e];
  }));
}

/** Play a drum's clearest strokes out of the recording, or stop them. */
async function hearDrum(view, name) {
  const { listener, chart } = view;
  if (listener.playing?.passage.drum === name) {
    listener.stop();
    return;
  }
  const { bars: [first, last] } = stretchOf(view);
  const { bars, end_s } = chart.time_map;
  view.session.error = "";
  const places = await listener.playDrum(name, { start_s: bars[first].beats_s[0], end_s: bars[last + 1]?.beats_s[0] ?? end_s });
  if (places) view.say(`The clearest strokes of the ${name}: ${places}.`);
}
