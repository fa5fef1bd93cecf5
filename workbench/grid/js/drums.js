/**
 * The drums of the chart, each as a whole, and each of its sounds where it has several: hear the clearest strokes, say
 * what they really are, or take them out. Python tells the sounds apart (workbench.listening.drum_sounds), chooses the
 * strokes and does the naming (workbench.chart.drums); here is what is counted and asked for.
 */
import { barsSaid, isDoubtful, noteAt } from "./chart.js";
import { chosenOf, hitsAt, placeKey } from "./chosen.js";
import { openDrums } from "./context_menu.js";
import { make } from "./furniture.js";
import { possibleByBar } from "./possible.js";

/** A drum is mostly in doubt: DOUBTED_FROM and DOUBTED_PART in Python. */
const DOUBTED_FROM = 8;
const DOUBTED_PART = 0.5;

/** @typedef {{name: string, hits: number, doubts: number, confirmed: number, possible: number}} Drum */

/** Hits of a drum that sound alike, each by bar and place; or, not alike, those that are like none of the others. @typedef {{alike: boolean, places: [number, string][]}} Sound */

/** What an act means, and its name in a sentence: a drum, or one of its sounds. @typedef {{name: string, called: string, sound?: Sound}} Subject */

/** Before Python has told anything. */
const NOTHING = {};

/** Whether a whole drum is mostly in doubt, so that it should be listened to as a whole. @param {Drum} drum */
export const isDoubted = ({ hits, doubts, confirmed }) => hits >= DOUBTED_FROM && !confirmed && doubts >= DOUBTED_PART * hits;

/** Bars and, where hits are chosen, their places: what an act on drums is for. */
export function stretchOf({ chart, chosen, selection }) {
  if (!chosen.size) return { bars: selection ?? [0, chart.bars.length - 1] };
  const places = [...chosen.values()];
  const bars = places.map((p) => p.bar);
  return { bars: [Math.min(...bars), Math.max(...bars)], places };
}

/** @returns {Drum} */
const none = (name) => ({ name, hits: 0, doubts: 0, confirmed: 0, possible: 0 });

/** @param {Drum} drum */
function count(drum, note, below) {
  drum.hits += 1;
  if (note.confirmed) drum.confirmed += 1;
  else if (isDoubtful(note, below)) drum.doubts += 1;
}

/**
 * The drums that are written or possible, in the order of the rows of the kit.
 * @param {{bars: [number, number], places?: any[]}} stretch @param {Record<string, any>} kit @returns {Drum[]}
 */
export function drumsOf(chart, time, below, { bars: [first, last], places }, kit) {
  const drums = new Map();
  const chosen = places && new Set(places.map(placeKey));
  const drum = (bar, { at, instrument: name }) => {
    if (chosen && !chosen.has(placeKey({ bar, at, instrument: name }))) return null;
    if (!drums.has(name)) drums.set(name, none(name));
    return drums.get(name);
  };
  for (let bar = first; bar <= last; bar++) {
    for (const note of chart.bars[bar].notes) {
      const its = drum(bar, note);
      if (!its) continue;
      count(its, note, below);
    }
    for (const hit of possibleByBar(chart, time).get(bar) || []) {
      const its = drum(bar, hit);
      if (its) its.possible += 1;
    }
  }
  const order = Object.keys(kit);
  return [...drums.values()].sort((a, b) => order.indexOf(a.name) - order.indexOf(b.name));
}

/** A stretch that means, of a drum in it, only the hits of one sound that are still there. @param {Sound} sound */
export function soundIn(chart, { bars: [first, last], places }, name, sound) {
  const among = places && new Set(places.map(placeKey));
  return { bars: [first, last], places: sound.places.map(([bar, at]) => ({ bar, at, instrument: name })).filter((p) => p.bar >= first
    && p.bar <= last && (!among || among.has(placeKey(p))) && noteAt(chart, p.bar, p.at, name)) };
}

/** What of a drum is at the places of a stretch; possible hits have no sound yet. @returns {Drum|undefined} */
export function soundOf(chart, below, { places }, name) {
  const drum = none(name);
  for (const { bar, at } of places) count(drum, noteAt(chart, bar, at, name), below);
  return drum.hits ? drum : undefined;
}

/** "sound 2", and in a sentence. @param {Sound} sound @param {number} k its number from 0 @returns {[string, string]} */
const soundCalled = ({ alike }, k, name) => (alike ? [`sound ${k + 1}`, `sound ${k + 1} of the ${name}`] : ["other sounds", `the other sounds of the ${name}`]);

/** How many sounds are under one name: "4 sounds and others"; "" where it is one. @param {Sound[]} sounds */
export function soundsWords(sounds) {
  const alike = sounds.filter((s) => s.alike).length;
  if (sounds.length < 2) return "";
  return `${alike} sound${alike === 1 ? "" : "s"}${alike < sounds.length ? " and others" : ""}`;
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

/** Whether to ask for the sounds of each drum: once there is a recording, and anew where what Python told holds no more. @param {any} asked what was known when it was asked last */
export const isToAsk = ({ has_recording, sample_rate, drum_sounds }, asked) => Boolean(has_recording && sample_rate && drum_sounds
  && (!asked || (!drum_sounds.drums && drum_sounds !== asked)));

/** The panel: a line for each drum, and below it one for each of its sounds. */
export class DrumPanel {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-drums");
    this.list = make("div", "wbg-drums-list", { role: "list", "aria-label": "Drums" });
    this.element.append(this.list);
    this.where = make("div", "wbg-words");
    /** Lines by drum. @type {Map<string, any>} */
    this.lines = new Map();
    /** What was known of sounds when Python was asked last. */
    this.asked = null;
  }

  /** Ask Python for the sounds of each drum: once, and anew where what it told holds no more. */
  ask() {
    const { info } = this.view.session;
    if (!isToAsk(info, this.asked)) return;
    this.asked = info.drum_sounds;
    this.view.session.send({ type: "sounds" });
  }

  /** Bring what is shown up to date; costs nothing while nothing has changed. */
  update() {
    this.ask();
    const { view } = this;
    const { chart, chosen, selection, doubtBelow, listener } = view;
    const heard = listener.playing?.passage.called;
    const known = view.session.info.drum_sounds ?? NOTHING;
    const shown = [chart, chosen, selection, doubtBelow, heard, known];
    if (shown.every((x, k) => x === this.shown?.[k])) return;
    this.shown = shown;
    const { kit } = view.session.info;
    const stretch = stretchOf(view);
    const drums = new Map(drumsOf(chart, view.time, doubtBelow, stretch, kit).map((d) => [d.name, d]));
    // Every drum that the song has, or had since the panel was opened: no line comes or goes under a pointer that frames hits.
    const whole = { bars: [0, chart.bars.length - 1] };
    for (const { name } of drumsOf(chart, view.time, doubtBelow, whole, kit)) if (!this.lines.has(name)) this.lines.set(name, this.line(name));
    for (const line of this.lines.values()) if (line.known !== known) this.showSounds(line, known);
    this.where.textContent = chosen.size ? "Of the chosen hits; confirmed hits stay as they are."
      : selection ? `In ${barsSaid(chart, ...selection)}; confirmed hits stay as they are.`
        : "In the whole song; select bars or frame hits to mean these alone. Confirmed hits stay as they are.";
    Object.keys(kit).filter((name) => this.lines.has(name)).forEach((name, k) => {
      const line = this.lines.get(name);
      const { element } = line;
      if (this.list.children[k] !== element) this.list.insertBefore(element, this.list.children[k] ?? null);
      const drum = drums.get(name);
      const left = line.sounds.map((sound) => {
        const its = soundOf(chart, doubtBelow, soundIn(chart, stretch, name, sound.subject.sound), name);
        showLine(sound, heard, its, `${sound.label}: ${its ? drumWords(its) : "none"}`);
        sound.words.setAttribute("aria-label", `${name}, ${sound.words.textContent}`);
        sound.words.setAttribute("aria-pressed", String(isChosen(view, sound.subject)));
        sound.doubted = Boolean(its) && isDoubted(its);
        return its && sound.subject.sound;
      });
      // A drum that is sure as a whole may have a sound that is not.
      line.fold?.classList.toggle("wbg-doubted", line.sounds.some((s) => s.doubted));
      showLine(line, heard, drum, drum ? drumWords(drum) : "none");
      showOpen(line, soundsWords(left.filter(Boolean)));
    });
  }

  line(name) {
    const element = make("div", "wbg-drum-group", { role: "listitem" });
    const row = make("div", "wbg-drum");
    const label = make("span", "wbg-drum-name");
    label.textContent = name;
    const words = make("span", "wbg-words");
    const subject = { name, called: `the ${name}` };
    const [hear, ...others] = this.acts(subject);
    row.append(label, words, hear, ...others);
    element.append(row);
    return { element, label, words, hear, subject, sounds: [], known: NOTHING };
  }

  /** Have a line for each sound of a drum, in place of those that were there; folded at first, so that nothing moves when Python tells them. @param {{drums?: Record<string, Sound[]>}} known */
  showSounds(line, known) {
    const { name } = line.subject;
    const sounds = known.drums?.[name] ?? [];
    line.known = known;
    line.list?.remove();
    line.list = sounds.length ? make("div", "wbg-sounds", { role: "list", "aria-label": `Sounds of the ${name}` }) : null;
    line.sounds = sounds.map((sound, k) => {
      const [label, called] = soundCalled(sound, k, name);
      const subject = { name, called, sound };
      const row = make("div", "wbg-drum", { role: "listitem" });
      const words = make("button", "wbg-sound", { type: "button", title: "Choose its hits in the grid, to see them; once more lets go" });
      words.addEventListener("click", () => chooseSound(this.view, subject));
      const [hear, ...others] = this.acts(subject);
      row.append(words, hear, ...others);
      line.list.append(row);
      return { words, hear, label, subject };
    });
    line.label.textContent = name;
    if (!line.list) return;
    line.element.append(line.list);
    const fold = (line.fold = make("button", "wbg-fold", { type: "button" }));
    fold.textContent = name;
    fold.addEventListener("click", () => {
      line.open = !line.open;
      showOpen(line, line.said);
    });
    line.label.replaceChildren(fold);
  }

  /** The buttons for what can be done with a drum or a sound. @param {Subject} subject */
  acts(subject) {
    const { view } = this;
    const { name, called } = subject;
    const act = (text, said, title, does) => {
      const b = make("button", "wbg-button", { type: "button", "aria-label": said, title });
      b.textContent = text;
      b.addEventListener("click", () => does(b));
      return b;
    };
    return [act("Hear", `Hear ${called}`, "Its clearest strokes, one after the other", () => hearDrum(view, subject)),
      act("Rename …", `Rename ${called} …`, "Give its hits to another drum: one step, every hit keeps its time", (b) => {
        const { left, bottom } = b.getBoundingClientRect();
        openDrums(view, left, bottom, (to) => nameDrum(view, subject, to), name);
      }),
      act("Take all out", `Take all of ${called} out`, "One step; Ctrl Z brings them back", () => nameDrum(view, subject, ""))];
  }
}

/** Show the sounds of a drum, or fold them; `said`: how many they are. */
function showOpen(line, said) {
  const { list, fold, open, subject: { name } } = line;
  line.said = said;
  if (!list) return;
  list.hidden = !open;
  fold.setAttribute("aria-expanded", String(Boolean(open)));
  fold.setAttribute("aria-label", `Sounds of the ${name}${said && `: ${said}`}`);
  fold.title = said ? `${open ? "Fold" : "Show"} what sounds where ${name} is written: ${said}` : "";
}

/** Bring a line up to date. @param {{words: HTMLElement, hear: HTMLElement, subject: Subject}} line @param {Drum} [drum] what it is for; none left without */
function showLine({ words, hear, subject }, heard, drum, said) {
  tell(words, said);
  words.classList.toggle("wbg-doubted", Boolean(drum) && isDoubted(drum));
  hear.textContent = heard === subject.called ? "Stop" : "Hear";
  hear.setAttribute("aria-pressed", String(heard === subject.called));
}

/** All that is heard or chosen together, whatever is chosen now: the selected bars, or the song. */
const around = ({ chart, selection }) => ({ bars: selection ?? [0, chart.bars.length - 1] });

/** The hits of a sound that can be chosen, by their keys. @param {Subject} subject */
const hitsOfSound = (view, { name, sound }) => chosenOf(hitsAt(view.chart, soundIn(view.chart, around(view), name, sound).places));

/** Whether the hits of a sound, and no others, are chosen. @param {Subject} subject */
function isChosen(view, subject) {
  if (!view.chosen.size || view.chosen.size > subject.sound.places.length) return false;
  const hits = hitsOfSound(view, subject);
  return hits.size === view.chosen.size && [...hits.keys()].every((key) => view.chosen.has(key));
}

/** Choose the hits of a sound, the cursor to one of them; or let them go where they are chosen. @param {Subject} subject */
function chooseSound(view, subject) {
  if (isChosen(view, subject)) {
    view.choose(new Map());
    return;
  }
  const hits = hitsOfSound(view, subject);
  const places = [...hits.values()];
  const near = places.find((p) => p.bar >= view.cursor.bar) ?? places[0];
  if (near) view.moveCursor(near, false);
  view.choose(hits);
  view.sayChosen();
}

/** Name a drum or a sound, or take it out; Python says what was done. Hits that were chosen stay chosen under their new name. */
function nameDrum(view, { name, sound }, to) {
  const places = [...view.chosen.values()];
  const stretch = stretchOf(view);
  const seq = view.session.edit(nameEdit(name, to, sound ? soundIn(view.chart, stretch, name, sound) : stretch));
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

/** Play the clearest strokes of a drum or a sound out of the recording, or stop them. @param {Subject} subject */
async function hearDrum(view, { name, called, sound }) {
  const { listener, chart } = view;
  if (listener.playing?.passage.called === called) {
    listener.stop();
    return;
  }
  // A sound is heard whatever is chosen: so one is compared with another.
  const { bars: [first, last], places } = sound ? soundIn(chart, around(view), name, sound) : { ...stretchOf(view), places: null };
  const { bars, end_s } = chart.time_map;
  view.session.error = "";
  const where = await listener.playDrum({ name, called, ...(places ? { places: places.map((p) => [p.bar, p.at]) } : {}) },
    { start_s: bars[first].beats_s[0], end_s: bars[last + 1]?.beats_s[0] ?? end_s });
  if (where) view.say(`The clearest strokes of ${called}: ${where}.`);
}
