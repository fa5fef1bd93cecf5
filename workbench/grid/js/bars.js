/**
 * How the bars lie: other readings of the recording, to hear and to take, and where lines and hits disagree.
 * What is told comes from Python (workbench.grid.bar_advice); every act is one edit.
 */
import { barsSaid, noteAt, placeAt, secondsAt } from "./chart.js";
import { parseFraction, valueOf } from "./fractions.js";
import { make } from "./furniture.js";
import { possibleAt, possibleByBar } from "./possible.js";
import { nearestColumn } from "./timeline.js";

/** How long a reading is heard at a time, seconds. */
const HEARD_S = 20;
/** A click of a reading is heard at least so loud, of 1. */
const CLICK_LEVEL = 0.7;

/** A stroke is at the same time if it is so near, seconds: times go through rounded deviations. */
const SAME_TIME_S = 0.002;

/** Readings less likely than this take no room until *Bar lines* is open. */
const LIKELY_PERCENT = 5;

const adviceOf = (session) => session.info.bars || { now: "", others: [], dispute: "", faults: [] };

/** Whether the bars are others than those that the advice is about: the next is on its way. */
export const isBeingWeighed = ({ info, advised, confirmed }) => Boolean(info.bars) && advised !== confirmed.time_map;

/** Places where lines and hits disagree, those of bars that are still there. */
export const faultsOf = (session) => adviceOf(session).faults.filter((f) => f.last_bar < session.chart.bars.length);

/** Bars of a fault in words: "Bar 7", "Bars 7 to 12". */
export function faultBars(chart, fault) {
  const said = barsSaid(chart, fault.first_bar, fault.last_bar);
  return said[0].toUpperCase() + said.slice(1);
}

/** Places of doubt with those where lines and hits disagree among them, each at the first row of its first bar. */
export function withFaults(view, doubts) {
  const out = doubts.slice();
  for (const fault of faultsOf(view.session)) {
    const at = out.findIndex((d) => d.bar >= fault.first_bar);
    out.splice(at < 0 ? out.length : at, 0, { bar: fault.first_bar, at: "0", instrument: view.rows[0], fault });
  }
  return out;
}

/**
 * Where a place lies once other bars are laid over the recording: with its hit or possible hit, else at the column
 * nearest to its time.
 * @param {{chart: any, time: any}} before @param {{chart: any, time: any}} after
 */
export function samePlaceHeard(place, before, after) {
  const { bar, at, instrument } = place;
  const possible = possibleAt(before.chart, before.time, place);
  const note = noteAt(before.chart, bar, at, instrument);
  const seconds = possible?.time_s ?? timeOfHit(before.time, bar, note || { at });
  const there = placeAt(after.time, seconds);
  const near = [there.bar, there.bar - 1, there.bar + 1];
  for (const b of possible || note ? near : []) {
    const same = possible ? possibleByBar(after.chart, after.time).get(b)?.find((h) => h.time_s === seconds && h.instrument === instrument)
      : after.chart.bars[b]?.notes.find((n) => n.instrument === instrument && Math.abs(timeOfHit(after.time, b, n) - seconds) < SAME_TIME_S);
    if (same) return { bar: b, at: same.at, instrument };
  }
  return { ...nearestColumn(after.chart, there.bar, there.position), instrument };
}

const timeOfHit = (time, bar, { at, deviation_s = 0 }) => secondsAt(time, bar, valueOf(parseFraction(at))) + deviation_s;

/** How many such places there are, in words; "" for none. */
export function faultWords(session) {
  const n = faultsOf(session).length;
  return n ? `${n} place${n > 1 ? "s" : ""} where bars and hits disagree` : "";
}

/** What is said at such a stop. */
export const sayFault = (view, fault) => view.say(
  `${faultBars(view.chart, fault)}: bar lines and hits disagree here, ${fault.words}. M does “${fault.mends}”.`);

/** What is said where no bars disagree with their hits. */
function settled(session) {
  const { dispute } = adviceOf(session);
  return dispute ? `By the recording ${dispute}. Hear and take it above the sheet; or fix the bar lines if they are right.`
    : "Bar lines and hits agree.";
}

/** The fault of the cursor's bar, else the first one. */
function faultMeant(view) {
  const faults = faultsOf(view.session);
  const { bar } = view.cursor;
  return faults.find((f) => f.first_bar <= bar && bar <= f.last_bar) || faults[0];
}

function mend(view, fault) {
  const bars = faultBars(view.chart, fault).toLowerCase();
  view.edit(fault.edit);
  view.say(`${fault.mends} (${bars}); every hit stays where it was heard.`);
}

/** Levels while a reading is heard: the recording with its click, and nothing of the chart. */
export function levelsOf(settings, passage) {
  if (passage?.reading === undefined) return settings;
  return { ...settings, chart: { ...settings.chart, level: 0 },
    click: { ...settings.click, level: Math.max(settings.click.level, CLICK_LEVEL) } };
}

/** What Python is asked for to sound a source of a passage. */
export const soundOf = (source, passage) =>
  (source === "click" && passage.reading >= 0 ? `reading ${passage.reading}` : source);

/** @type {Record<string, (view: any) => void>} */
export const BAR_COMMANDS = {
  "mend bars": (view) => {
    if (isBeingWeighed(view.session)) return view.say("The bars have just changed, and are being compared with the hits. Press M again in a moment.");
    const fault = faultMeant(view);
    if (!fault) return view.say(settled(view.session));
    mend(view, fault);
  },
  "lay anew": (view) => view.session.do({ command: "lay anew", bar_index: view.cursor.bar }),
};

/** The lines over the sheet that tell of the bars. */
export class BarLines {
  constructor(view) {
    this.view = view;
    this.element = make("div", "wbg-bars", { role: "region", "aria-label": "How the bars lie" });
    this.element.hidden = true;
    this.told = null;
    // The mouse leaves the keys with the sheet.
    this.element.addEventListener("pointerdown", (event) => event.preventDefault());
    this.element.addEventListener("click", (event) => event.detail && view.takeKeys());
  }

  update() {
    const { view } = this;
    if (!view.chart) return;
    const { now, others: all } = adviceOf(view.session);
    const faults = faultsOf(view.session);
    const { listening } = view.session.info;
    const heard = view.listener.playing?.passage.reading;
    const wanted = view.toolbar.opened === "Bar lines";
    const told = [view.session.info.bars, listening, heard, wanted, view.chart.bars.length];
    if (told.every((x, k) => x === this.told?.[k])) return;
    this.told = told;
    const others = all.filter(({ percent, reading }) => wanted || percent >= LIKELY_PERCENT || reading === heard);
    const lines = [];
    if (others.length || (wanted && now)) lines.push(this.readings(now, others, heard));
    if (listening) lines.push(line("wbg-bars-line", `Laying the bars anew by ear: ${listening} …`));
    for (const fault of faults) lines.push(this.fault(fault));
    this.element.replaceChildren(...lines);
    this.element.hidden = !lines.length;
    view.fit();
  }

  /** "4/4 at 110 (80 %) It may also be 4/4 at 220 (12 %)", each to hear, the others to take. */
  readings(now, others, heard) {
    const box = line("wbg-bars-line", `Bars: ${now}`);
    box.append(this.hear(-1, now, heard), ...(others.length ? ["It may also be"] : []));
    for (const { reading, words, percent } of others) {
      const one = make("span", "wbg-reading");
      one.append(`${words} (${percent || "under 1"} %)`, this.hear(reading, words, heard), button("Take", `Lay the bars so: ${words}`, () => {
        this.view.session.do({ command: "take reading", reading });
        this.view.say(`Bars laid anew: ${words}. Every hit stays where it was heard; Ctrl Z goes back.`);
      }));
      box.append(one);
    }
    return box;
  }

  hear(reading, words, heard) {
    const on = heard === reading;
    const b = button(on ? "Stop" : "Hear", `The recording with the click of these bars, from the cursor's bar on: ${words}`, () => {
      if (on) this.view.listener.stop();
      else this.view.listener.play(passageOf(this.view, reading));
    });
    b.setAttribute("aria-pressed", String(on));
    return b;
  }

  fault(fault) {
    const { view } = this;
    const bars = faultBars(view.chart, fault);
    const box = line("wbg-bars-line wbg-fault", `${bars}: bar lines and hits disagree here, ${fault.words}.`);
    box.append(button("Show", "Key: n", () => view.moveCursor({ ...view.cursor, bar: fault.first_bar, at: "0" })),
      button(fault.mends, "Mends it; every hit stays where it was heard · Key: M", () => mend(view, fault)),
      button("Lines are right", "Fixes these lines: nothing is said of them any more", () => view.edit(fault.leave)));
    return box;
  }
}

/** What is heard of a reading (−1: the chart's own bars): the selection, or some seconds from the cursor's bar on. */
function passageOf(view, reading) {
  const { bars, end_s } = view.chart.time_map;
  const [first, last] = view.selection || [view.cursor.bar, bars.length - 1];
  const start_s = bars[first].beats_s[0];
  const end = last + 1 < bars.length ? bars[last + 1].beats_s[0] : end_s;
  return { start_s, end_s: view.selection ? end : Math.min(end, start_s + HEARD_S), reading, loop: false,
    speed_percent: view.model.get("speed_percent"), count_in_bars: 0 };
}

function line(className, words) {
  const box = make("div", className);
  box.append(make("span", ""));
  box.firstChild.textContent = words;
  return box;
}

function button(words, title, act) {
  const b = make("button", "wbg-button", { type: "button", title });
  b.textContent = words;
  b.addEventListener("click", act);
  return b;
}

/** A line over the bars in which lines and hits disagree. */
export function drawFaults(g, { sheet, palette, faults }, row) {
  for (const fault of faults) {
    const bars = row.bars.filter((b) => b.bar >= fault.first_bar && b.bar <= fault.last_bar);
    if (!bars.length) continue;
    g.fillStyle = palette.doubt;
    const from = bars[0].x;
    const last = bars[bars.length - 1];
    g.fillRect(from, sheet.waveY - 4, last.x + last.width - from - 2, 2);
    g.fillRect(from, sheet.waveY - 4, 2, 10);
  }
}
