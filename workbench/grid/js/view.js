/**
 * One grid in the page: its elements, what is in view, and when to draw.
 */
import { barList, barName, columnsOf, describeNote, isDoubtful, noteAt, placeAt, repeatsOf, thePlace } from "./chart.js";
import { parseFraction, valueOf } from "./fractions.js";
import { SIZES, layoutSheet, lineOf, readableBars, rowBase, rowHeights, timeAtX, xOf } from "./timeline.js";
import { drawLine, drawOverview, drawSheet, readPalette } from "./drawing.js";
import { LinePictures } from "./line_pictures.js";
import { BarTable } from "./access.js";
import { alikeEdit, answerIn, openIn, stands, wordsOf } from "./alike.js";
import { BarLines, faultWords, faultsOf, samePlaceHeard } from "./bars.js";
import { hitsAt, placeKey } from "./chosen.js";
import { COMMANDS, capital } from "./commands.js";
import { openMenu } from "./context_menu.js";
import { fillKeyList, hearingHint, make } from "./furniture.js";
import { attachKeys, giveKeysBack } from "./keyboard.js";
import { describeMark, markMeant } from "./marks.js";
import { areRivals, describePossible, doubtWords, possibleAt, possibleByBar } from "./possible.js";
import { alikeTo, besideIn, questionsOf, rivalsOf } from "./questions.js";
import { attachMouse } from "./mouse.js";
import { bringIntoSight, keepInView, roomForSheet } from "./place.js";
import { Toolbar, button } from "./toolbar.js";

/** Bars in a line, from near to far; 0 means all, −1 as many as can be read. */
const ZOOMS = [1, 2, 4, 8, 16, 32, 0];

/** Rows always shown, folded while they are not played, so that a hit can be given to what the draft has missed. */
const USUAL_ROWS = ["crash", "ride", "open hi-hat", "closed hi-hat", "high tom", "mid tom", "snare", "floor tom", "kick"];

const OVERVIEW_HEIGHT = 34;
/** So many answered doubts are offered elsewhere. */
const MOST_ANSWERS = 3;
const HITS_FETCHED_AFTER_MS = 1500;
/** What nobody waits for is done within this, ms. */
const IDLE_WITHIN_MS = 200;
/** The sheet is never lower, pixels. */
const LEAST_HEIGHT = 240;
/** The cursor's row is seen if so much of the sheet lies above and below it, pixels. */
const ROW_MARGIN = 20;

export class View {
  constructor(model, session, listener, sound, el) {
    Object.assign(this, { model, session, listener, sound, el });
    this.cursor = { bar: 0, at: "0", instrument: "snare" };
    this.selection = null;
    this.anchor = null;
    /** Chosen hits: their places by key. @type {Map<string, {bar: number, at: string, instrument: string}>} */
    this.chosen = new Map();
    this.hoverRow = -1;
    /** Bars that were looked at or heard on this page. @type {Set<object>} */
    this.looked = new WeakSet();
    this.lookedAt = 0;
    this.focused = false;
    this.everUsed = new Set();
    /** Answers to doubts, the last at the end. @type {any[]} */
    this.answers = [];
    /** How many questions the doubts are. */
    this.questions = 0;
    /** Where the cursor stopped because bar lines and hits disagree there, "" elsewhere. */
    this.atFault = "";
    /** What is said beside what is at the cursor, while it stands there and nothing is edited. */
    this.aside = "";
    /** The panel of drums while it is open. @type {import("./drums.js").DrumPanel|null} */
    this.drums = null;
    this.pictures = new LinePictures(drawLine);
    this.drop = [];
    this.build();
    this.drop.push(session.listen((what) => this.onSession(what)), attachMouse(this), attachKeys(this), keepInView(this));
    const onTrait = (names, act) => names.forEach((n) => {
      model.on(`change:${n}`, act);
      this.drop.push(() => model.off(`change:${n}`, act));
    });
    onTrait(["height"], () => this.fit());
    onTrait(["bars_per_line", "show_waveform", "show_spectrogram", "all_rows", "doubt_below"], () => this.relayout());
    onTrait(["show_keys"], () => this.showKeys());
    const resize = new ResizeObserver(() => this.fit());
    resize.observe(this.scroller);
    resize.observe(this.el);
    const onWindow = () => this.fit();
    window.addEventListener("resize", onWindow);
    this.drop.push(() => window.removeEventListener("resize", onWindow));
    // A theme's style sheet may come after its name, and the page be hidden until it has: look again a little later.
    const look = () => {
      this.renewPalette();
      this.draw();
    };
    const theme = new MutationObserver(() => [0, 150, 600].forEach((ms) => setTimeout(look, ms)));
    theme.observe(document.body, { attributes: true, attributeFilter: ["class", "data-jp-theme-light", "data-jp-theme-name"] });
    const contrast = window.matchMedia("(forced-colors: active)");
    const onContrast = () => this.renewPalette();
    contrast.addEventListener("change", onContrast);
    this.drop.push(() => contrast.removeEventListener("change", onContrast));
    this.drop.push(() => resize.disconnect(), () => theme.disconnect());
    this.showKeys();
    this.onSession("chart");
  }

  get chart() {
    return this.session.chart;
  }

  get time() {
    return this.session.time;
  }

  get doubtBelow() {
    return this.model.get("doubt_below");
  }

  // -- elements -----------------------------------------------------------------

  build() {
    const { el } = this;
    el.classList.add("wbg");
    el.dataset.jpSuppressContextMenu = "true";
    el.hitGrid = this;
    this.title = make("div", "wbg-title");
    this.state = make("div", "wbg-state", { role: "status", "aria-live": "polite" });
    const head = make("div", "wbg-top");
    head.append(this.title, this.state);
    this.overview = make("canvas", "wbg-overview", { role: "img", "aria-label": "Overview of the whole song" });
    this.error = make("div", "wbg-error", { role: "alert" });
    const goOn = button(this, "Go on here", "reload", "with what another notebook or program did to the chart");
    this.error.append(make("span", ""), " ", goOn);
    this.scroller = make("div", "wbg-sheet", { tabindex: "0", role: "grid", "aria-label": "Hits" });
    this.canvas = make("canvas", "wbg-canvas", { "aria-hidden": "true" });
    this.spacer = make("div", "wbg-spacer", { "aria-hidden": "true" });
    this.playhead = make("div", "wbg-playhead", { "aria-hidden": "true" });
    this.scroller.append(this.canvas, this.spacer, this.playhead);
    this.table = new BarTable(this.scroller);
    this.here = make("div", "wbg-here", { role: "status", "aria-live": "polite" });
    this.keys = make("div", "wbg-keys");
    this.askBox = make("div", "wbg-ask");
    this.offers = make("div", "wbg-offers", { role: "group", "aria-label": "Corrections for other bars" });
    this.offers.hidden = true;
    this.files = make("div", "wbg-files", { role: "status" });
    this.files.hidden = true;
    this.hint = hearingHint(this);
    this.toolbar = new Toolbar(this);
    this.bars = new BarLines(this);
    this.toolbar.element.append(head);
    // Refusals and offers stand beside what is said, so that nothing moves under the pointer when one comes.
    const said = make("div", "wbg-said");
    said.append(this.error, this.here, this.offers);
    el.replaceChildren(this.toolbar.element, this.toolbar.panel, this.hint, this.askBox, this.bars.element, this.overview,
      said, this.files, this.scroller, this.keys);
    fillKeyList(this.keys, () => this.toggleKeys());
    this.scroller.addEventListener("scroll", () => this.draw(), { passive: true });
    this.scroller.addEventListener("focus", () => this.setFocus(true));
    this.scroller.addEventListener("blur", () => this.setFocus(false));
  }

  showKeys() {
    this.keys.hidden = !this.model.get("show_keys");
    if (!this.keys.hidden) this.keys.querySelector("button").focus();
    else if (this.keys.contains(document.activeElement)) this.takeKeys();
  }

  /** Bring the keys to the sheet. */
  takeKeys() {
    this.scroller.focus({ preventScroll: true });
  }

  /** The sheet as high as the window has room for, then everything laid out anew. */
  fit() {
    const seen = this.sheet && this.rowIsSeen();
    const height = `${Math.max(Math.min(this.model.get("height"), roomForSheet(this)), LEAST_HEIGHT)}px`;
    if (this.el.isConnected && this.scroller.style.height !== height) this.scroller.style.height = height;
    this.measure();
    this.renewPalette();
    this.relayout();
    // Tools that are opened take room from the sheet, not the cursor from its user.
    if (seen && !this.rowIsSeen()) this.scrollToCursor();
  }

  /** Sizes of the sheet and the grid, read only when they may have changed: reading them has the page laid out. */
  measure() {
    const { clientWidth: width, clientHeight: height } = this.scroller;
    this.size = { width, height, wide: this.el.clientWidth };
  }

  renewPalette() {
    const style = getComputedStyle(this.el);
    const stamp = style.color + style.getPropertyValue("--wbg-paper");
    if (stamp === this.themeStamp) return;
    this.themeStamp = stamp;
    this.palette = readPalette(this.el);
    this.draw();
  }

  toggleKeys() {
    this.set("show_keys", !this.model.get("show_keys"));
  }

  /** Set traits and tell Python, if it is there. */
  set(trait, value) {
    this.model.set(trait, value);
    try {
      this.model.save_changes();
    } catch {
      this.session.lost = true;
    }
  }

  // -- what is shown ----------------------------------------------------------------

  onSession(what) {
    if (what === "sound") this.draw();
    if (!this.chart) {
      this.state.textContent = "Waiting for the kernel …";
      return;
    }
    if (what === "chart") {
      const relaid = this.followTheRecording();
      // What was said of an earlier act is no longer news.
      if (this.words && this.session.seq !== this.wordsFor) this.words = "";
      if (this.aside && this.session.seq !== this.asideFor) this.aside = "";
      this.keepCursorInside();
      this.relayout();
      if (relaid) this.scrollToBar(this.cursor.bar);
      this.listener.renewChart();
    }
    this.showOffers();
    this.showState();
  }

  /** Where other bars lie over the recording now, cursor and chosen hits stay with what is heard there. @returns {boolean} whether so */
  followTheRecording() {
    const before = this.laid;
    this.laid = { chart: this.chart, time: this.time };
    if (!before || before.time === this.time) return false;
    // A chart that came once more lies as it lay.
    if (JSON.stringify(before.chart.time_map) === JSON.stringify(this.chart.time_map)) return false;
    // What was answered there lies elsewhere now.
    this.answers = [];
    if (!this.chart.recording) return false;
    const follow = (place) => samePlaceHeard(place, before, this.laid);
    this.cursor = follow(this.cursor);
    this.chosen = new Map([...this.chosen.values()].map(follow).map((place) => [placeKey(place), place]));
    this.tellPython();
    return true;
  }

  keepCursorInside() {
    const { cursor, chart } = this;
    const bar = Math.min(cursor.bar, chart.bars.length - 1);
    if (bar !== cursor.bar || valueOf(parseFraction(cursor.at)) >= barLength(chart, bar)) {
      this.cursor = { ...cursor, bar, at: "0" };
    }
    if (this.selection && this.selection[1] >= chart.bars.length) this.selection = null;
    if (this.chosen.size) {
      this.chosen = new Map([...this.chosen].filter(([, p]) => noteAt(chart, p.bar, p.at, p.instrument) || possibleAt(chart, this.time, p)));
    }
  }

  columns(bar) {
    return columnsOf(this.chart.time_map.bars[bar], this.chart.bars[bar].subdivisions);
  }

  relayout() {
    if (!this.chart) return;
    const { chart, model } = this;
    this.countHits();
    const all = model.get("all_rows");
    this.rows = Object.keys(this.session.info.kit).filter(
      (name) => all || this.everUsed.has(name) || USUAL_ROWS.includes(name));
    this.rowOf = new Map(this.rows.map((name, k) => [name, k]));
    if (!this.rowOf.has(this.cursor.instrument)) this.cursor.instrument = this.rows[this.rows.length - 1];
    const bars = chart.bars.length;
    if (!this.size?.width) this.measure();
    const { width, height } = this.size;
    const perLine = Math.min(this.barsPerLine(width) || bars, bars);
    const played = this.rows.map((name) => all || this.everUsed.has(name));
    const { has_recording } = this.session.info;
    const shown = { wave: model.get("show_waveform") && has_recording,
      spectrum: model.get("show_spectrogram") && has_recording };
    const heights = rowHeights(played, height, shown, chart.marks.length > 0);
    const key = [chart.time_map, chart.sections, chart.marks.length > 0, width, height, perLine, heights.join(), shown.wave, shown.spectrum];
    if (!this.sheet || key.some((x, k) => x !== this.sheetKey[k])) {
      this.sheetKey = key;
      const before = this.sheet?.lineHeight;
      this.sheet = layoutSheet(chart, width, perLine, heights, shown);
      this.spacer.style.height = `${Math.max(this.sheet.height - height, 0)}px`;
      // Lines that grow or shrink stay where they are looked at.
      if (before) this.scroller.scrollTop *= this.sheet.lineHeight / before;
    }
    this.showCursor();
    this.draw();
  }

  /** Bars in a line as they are wanted in a width; 0: all. */
  barsPerLine(width = this.size.width) {
    const wanted = this.model.get("bars_per_line");
    return wanted < 0 ? readableBars(this.chart, width) : wanted;
  }

  /** Doubtful hits and instruments of each bar; only bars that have changed are counted anew. */
  countHits() {
    const below = this.doubtBelow;
    const { bars } = this.chart;
    for (const name of this.session.info.used || []) this.everUsed.add(name);
    for (const h of this.chart.possible_hits || []) this.everUsed.add(h.instrument);
    const known = this.counted?.below === below && this.counted.bars.length === bars.length ? this.counted.bars : [];
    this.counted = { below, bars };
    if (!known.length) this.doubts = new Map();
    bars.forEach((written, bar) => {
      if (written === known[bar]) return;
      for (const n of written.notes) this.everUsed.add(n.instrument);
      const doubt = written.notes.filter((n) => isDoubtful(n, below)).length;
      if (doubt) this.doubts.set(bar, doubt);
      else this.doubts.delete(bar);
    });
  }

  /** What is at the cursor, for eyes and for screen readers; told with the next picture. */
  showCursor() {
    this.cursorChanged = true;
    this.draw();
  }

  draw() {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.paint();
    });
  }

  paint() {
    if (!this.sheet || !this.size.width) return;
    if (this.cursorChanged) {
      this.cursorChanged = false;
      this.showHere();
      this.whenIdle("table", () => this.table.update(this.chart, this.rows, this.columns(this.cursor.bar), this.cursor));
    }
    if (this.drums) this.whenIdle("drums", () => this.drums?.update());
    if (!this.palette) this.renewPalette();
    const ratio = window.devicePixelRatio || 1;
    const { scrollTop: top, clientHeight: shown } = this.scroller;
    // Hidden, a sheet seems not to be scrolled: what was drawn stands until it is shown.
    if (!shown && this.painted) return;
    const { width, height, wide } = this.size;
    const { chart, sheet, time, cursor, selection, heardBar, doubtBelow, palette } = this;
    const state = { ratio, sheet, chart, time, rows: this.rows, rowOf: this.rowOf,
      kit: this.session.info.kit, palette, cursor, selection, heardBar, doubtBelow, doubts: this.doubts, sound: this.sound, drag: this.drag,
      alike: this.alikeHere(), faults: faultsOf(this.session), possible: possibleByBar(chart, time), looked: this.looked, chosen: this.chosen, hoverRow: this.hoverRow, focused: this.focused,
      pictures: this.pictures, columns: (bar) => this.columns(bar) };
    drawSheet(sized(this.canvas, width, height, ratio), state, top, width, height, ratio);
    const lineAt = (y) => sheet.lines[Math.min(Math.floor(y / sheet.lineHeight), sheet.lines.length - 1)];
    const inView = [lineAt(top).first, lineAt(top + height - 1).last];
    const overview = [chart.bars, chart.time_map, chart.sections, chart.marks, chart.possible_hits, doubtBelow, palette, wide, ratio, heardBar,
      selection?.join(), `${cursor.bar} ${cursor.at}`, inView.join(), this.lookedAt];
    if (overview.some((x, k) => x !== this.overviewShown?.[k])) {
      this.overviewShown = overview;
      drawOverview(sized(this.overview, wide, OVERVIEW_HEIGHT, ratio), state, wide, OVERVIEW_HEIGHT, ratio, inView);
    }
    if (!this.painted) this.onFirstPaint();
    this.painted = (this.painted || 0) + 1;
    this.el.dataset.painted = String(this.painted);
    this.el.dataset.pending = String(this.session.pending.length);
    this.el.dataset.revision = String(this.session.revision);
  }

  /** Do what nobody waits for once no edit waits for its answer and the page is idle; of one kind only what was asked for last. */
  whenIdle(kind, act) {
    this.idle ??= new Map();
    const asked = this.idle.has(kind);
    this.idle.set(kind, act);
    if (asked) return;
    const due = performance.now() + IDLE_WITHIN_MS;
    const soon = window.requestIdleCallback ?? ((run) => setTimeout(run, IDLE_WITHIN_MS / 4));
    const run = () => {
      if (this.session.pending.length && performance.now() < due) return soon(run, { timeout: IDLE_WITHIN_MS });
      const last = this.idle.get(kind);
      this.idle.delete(kind);
      if (this.el.isConnected) last();
    };
    soon(run, { timeout: IDLE_WITHIN_MS });
  }

  /** A bar was looked at or heard. */
  look(bar) {
    const timed = this.chart.time_map.bars[bar];
    if (this.looked.has(timed)) return;
    this.looked.add(timed);
    this.lookedAt += 1;
  }

  /** Python begins what takes the processor only now; a little later the sounds of hits are fetched. */
  onFirstPaint() {
    this.session.send({ type: "seen" });
    const warmUp = setTimeout(() => this.listener.warmUp(this.session.info.used), HITS_FETCHED_AFTER_MS);
    this.drop.push(() => clearTimeout(warmUp));
  }

  showState() {
    const { session } = this;
    const { chart } = session;
    write(this.title, [chart.title || "Untitled chart", chart.artist].filter(Boolean).join(" · "));
    const waiting = session.pending.length;
    const doubts = this.doubts ? [...this.doubts.values()].reduce((a, b) => a + b, 0) : 0;
    const possible = [...possibleByBar(chart, this.time).values()].reduce((n, hits) => n + hits.length, 0);
    const questions = this.questions;
    // Of a long song they are many: counted once the edit has gone, and told until then as they were.
    this.whenIdle("questions", () => {
      const count = questionsOf(this.chart, this.time, this.doubtBelow).length;
      if (count === this.questions) return;
      this.questions = count;
      this.showState();
    });
    const words = [doubts + possible ? `${doubtWords(doubts, possible, true)}${questions && questions < doubts + possible
      ? `, ${questions} question${questions > 1 ? "s" : ""}` : ""}: press n` : "nothing in doubt"];
    const disagreeing = faultWords(session);
    if (disagreeing) words.unshift(disagreeing);
    const done = chart.bars.filter((b) => b.done).length;
    if (done) words.push(done < chart.bars.length ? `${done} of ${chart.bars.length} bars done` : "chart done");
    if (session.lost) words.push(`kernel gone: ${waiting ? `${waiting} edit${waiting > 1 ? "s" : ""} not kept; ` : ""}run the cells again to go on`);
    else if (waiting) words.push(`${waiting} edit${waiting > 1 ? "s" : ""} waiting for the kernel`);
    else words.push("all edits saved");
    if (this.listener.state === "loading") words.push("fetching sound …");
    this.tellState(words);
    this.bars.update();
    write(this.error.firstChild, session.error);
    this.error.lastChild.hidden = !this.model.get("changed_elsewhere");
    this.error.title = session.error;
    this.error.hidden = !session.error;
    // What was said to be done was not.
    if (session.error) this.words = "";
    if (session.notice) {
      this.say(session.notice);
      session.notice = "";
    }
  }

  /** Statements at the top; where they need two lines they break between them. */
  tellState(words) {
    if (this.state.textContent === words.join(" · ")) return;
    this.state.replaceChildren(...words.flatMap((said, k) => {
      const e = make("span", "wbg-stated");
      e.textContent = said;
      return k ? [" · ", e] : [e];
    }));
  }

  /** The line over the sheet: what is at the cursor. */
  showHere() {
    if (this.words) {
      write(this.here, this.words);
      return;
    }
    const { chart, cursor } = this;
    const note = noteAt(chart, cursor.bar, cursor.at, cursor.instrument);
    const timed = chart.time_map.bars[cursor.bar];
    const words = [`${barName(chart, cursor.bar)}${chart.bars[cursor.bar].done ? " (done)" : ""}`];
    const possible = possibleAt(chart, this.time, cursor);
    words.push(note ? describeNote(chart, cursor.bar, note) : possible ? describePossible(chart, possible)
      : `${cursor.instrument} on ${thePlace(timed, parseFraction(cursor.at))}: empty`);
    // What is said once stands before what the next stops say again: the line may be too short for all of it.
    if (this.aside) words.push(this.aside);
    const asked = this.askedHere(note ? isDoubtful(note, this.doubtBelow) : Boolean(possible));
    words.push(...asked);
    if (!asked.length && !this.offersNow.some(([bar]) => bar === cursor.bar)) {
      const others = repeatsOf(chart, cursor.bar).filter((b) => b !== cursor.bar);
      if (others.length) words.push(`the whole bar is written like ${barList(chart, others)}`);
    }
    const mark = markMeant(chart, cursor);
    // Its own words stand over its stretch.
    const said = mark && describeMark(chart, cursor.bar, { ...mark, text: "" });
    if (said) words.push(said + (mark.confirmed ? "" : " (k keeps it, u takes it away)"));
    write(this.here, words.join(" — "));
  }

  /** What else is asked at the cursor, and where the same is; `isAsked`: the cursor's own hit is in doubt or possible. */
  askedHere(isAsked) {
    const { chart, time, doubtBelow, cursor } = this;
    const words = [];
    const beside = besideIn(chart, time, doubtBelow, cursor);
    const rivals = beside.filter((name) => isAsked && areRivals(name, cursor.instrument));
    const others = beside.filter((name) => !rivals.includes(name));
    if (rivals.length) words.push(`this or the ${rivals.join(" or the ")} (k takes one)`);
    if (others.length) words.push(`${isAsked ? "also " : ""}in doubt here: ${others.join(", ")}`);
    const alike = this.alikeHere().map(({ bar }) => bar);
    if (alike.length) words.push(`asked once for ${barList(chart, [cursor.bar, ...alike])} (J: the others; k or x, then e: all)`);
    if (!isAsked) return words;
    const elsewhere = rivalsOf(chart, time, doubtBelow, cursor, !noteAt(chart, cursor.bar, cursor.at, cursor.instrument));
    for (const name of new Set(elsewhere.map((p) => p.instrument))) {
      words.push(`the ${name} is asked there in ${barList(chart, elsewhere.filter((p) => p.instrument === name).map(({ bar }) => bar))}`);
    }
    return words;
  }

  /** Where the question at the cursor is asked too. */
  alikeHere() {
    const { chart, time, doubtBelow, cursor } = this;
    const note = noteAt(chart, cursor.bar, cursor.at, cursor.instrument);
    const isAsked = note ? isDoubtful(note, doubtBelow) : possibleAt(chart, time, cursor);
    return isAsked ? alikeTo(chart, time, doubtBelow, cursor) : [];
  }

  /** Say something there, until the cursor moves or something else is done. */
  say(text) {
    this.words = text;
    this.wordsFor = this.session.seq;
    write(this.here, text);
    if (!this.session.error) return;
    // What was refused before is no longer news.
    this.session.error = "";
    this.session.changed("error");
  }

  /** Say something beside what is at the cursor. */
  tellAside(text) {
    this.aside = text;
    this.asideFor = this.session.seq;
    this.showCursor();
  }

  /** Bars just corrected, each with the bars that are as it was before, and what was done. @returns {[number, number[], string][]} */
  get offersNow() {
    return this.session.info.corrections || [];
  }

  /** The bar whose correction `e` would make elsewhere: the cursor's, else the one corrected last. */
  offered() {
    const offers = this.offersNow.map(([bar]) => bar);
    return offers.includes(this.cursor.bar) ? this.cursor.bar : offers.at(-1);
  }

  /** Questions answered lately that are open in other bars, the last answer first. */
  get alikeNow() {
    return this.answers.filter((answer) => stands(this.chart, answer)).reverse()
      .flatMap((answer) => openIn(this.chart, this.time, this.doubtBelow, answer).map((open) => ({ ...open, answer })));
  }

  /** Answer doubts as one like them was answered. */
  answerAlike({ answer, instrument, to, doubts }) {
    // The other sound of its drum comes next.
    answer.seq = this.session.edit(alikeEdit(doubts, to));
    this.say(`${doubts.length} hit${doubts.length > 1 ? "s" : ""} ${wordsOf(to)[1]}: ${instrument} in ${
      barList(this.chart, doubts.map(({ bar }) => bar))}.`);
  }

  /** Whether the answer to a doubt is offered first: it was the last edit, or the cursor's bar was not corrected. */
  comesFirst(alike) {
    return Boolean(alike) && (alike.answer.seq === this.session.seq || this.offered() !== this.cursor.bar);
  }

  /** What `e` does: the last answer to a doubt elsewhere, the correction of the cursor's bar elsewhere, or the last correction. */
  repeatElsewhere() {
    const from = this.offered();
    const [alike] = this.alikeNow;
    if (this.comesFirst(alike)) return () => this.answerAlike(alike);
    return from === undefined ? null : () => this.session.do({ command: "correct repeats", bar_index: from });
  }

  /** What could be done in other bars too; it stays until it is done, let be, or no longer true. */
  showOffers() {
    const first = this.offered();
    const alike = this.alikeNow;
    const key = JSON.stringify([this.offersNow, first, alike, this.cursor.bar]);
    if (key === this.offersShown) return;
    this.offersShown = key;
    const alikeFirst = this.comesFirst(alike[0]);
    const corrected = sameOffers(this.offersNow, first).map(([from, ...same]) => {
      const [bar, others, words] = from;
      return offer(this,
        `${barName(this.chart, bar)}: ${words}. The same in ${barList(this.chart, others)}${bar === first && !alikeFirst ? " (e)" : ""}`,
        () => this.session.do({ command: "correct repeats", bar_index: bar }),
        () => [from, ...same].forEach(([k]) => this.session.do({ command: "let be", bar_index: k })));
    });
    const answered = alike.map((a, k) => offer(this,
      `${capital(wordsOf(a.to)[0])} ${a.instrument} on ${thePlace(this.chart.time_map.bars[a.doubts[0].bar], parseFraction(a.at))} in ${
        barList(this.chart, a.doubts.map(({ bar }) => bar))} too${alikeFirst && k === 0 ? " (e)" : ""}`,
      () => this.answerAlike(a),
      () => {
        if (a.instrument === a.answer.instrument) this.answers = this.answers.filter((x) => x !== a.answer);
        else a.answer.rivals = a.answer.rivals.filter((p) => p.instrument !== a.instrument);
        this.showOffers();
      }));
    const chips = alikeFirst ? [...answered, ...corrected.reverse()] : [...corrected.reverse(), ...answered];
    this.offers.hidden = !chips.length;
    this.offers.replaceChildren(...chips.slice(0, 1));
    if (chips.length < 2) return;
    const others = make("div", "wbg-more");
    others.append(...chips.slice(1));
    others.hidden = true;
    const more = make("button", "", { type: "button", "aria-expanded": "false" });
    more.textContent = `${chips.length - 1} more`;
    more.addEventListener("click", () => {
      others.hidden = !others.hidden;
      more.setAttribute("aria-expanded", String(!others.hidden));
      this.takeKeys();
    });
    this.offers.append(more, others);
  }

  // -- cursor and selection -------------------------------------------------------------

  moveCursor(cursor, clearSelection = true) {
    this.cursor = cursor;
    this.atFault = "";
    this.aside = "";
    if (clearSelection) {
      this.selection = null;
      this.anchor = null;
      this.chosen = new Map();
    }
    this.words = "";
    if (this.answers.length || this.offersNow.length) this.showOffers();
    this.showCursor();
    this.reveal();
    this.tellPython();
    this.draw();
  }

  select(selection) {
    this.selection = selection;
    if (!selection) this.anchor = null;
    this.tellPython();
    this.draw();
  }

  /** Choose hits, beside those that are chosen or in place of them. @param {Map<string, any>} places */
  choose(places, more = false) {
    this.chosen = more ? new Map([...this.chosen, ...places]) : places;
    this.draw();
  }

  sayChosen() {
    const n = this.chosen.size;
    const possible = n - hitsAt(this.chart, this.chosen.values()).length;
    this.say(n ? `${n} hit${n > 1 ? "s" : ""} chosen${possible ? `, ${possible} of them possible (k writes, x refuses them)` : ""}: keys and the menu (right click) act on all of them; Esc lets go.`
      : "No hits there.");
  }

  /** The row under the pointer, or −1: the name of a folded one is shown. */
  hover(under) {
    const row = this.sheet?.rowHeights[under] === SIZES.folded ? under : -1;
    if (row === this.hoverRow) return;
    this.hoverRow = row;
    this.draw();
  }

  openMenuHere() {
    const box = this.scroller.getBoundingClientRect();
    const { bar, at, instrument } = this.cursor;
    const y = lineOf(this.sheet, bar).y + rowBase(this.sheet, this.rowOf.get(instrument)) - this.scroller.scrollTop;
    openMenu(this, box.left + xOf(this.sheet, bar, valueOf(parseFraction(at))), box.top + y, this.selection !== null);
  }

  /** Python's controls act on the cursor's bar or the selection; told once things stand still. */
  tellPython() {
    clearTimeout(this.telling);
    this.telling = setTimeout(() => {
      this.look(this.cursor.bar);
      this.model.set("bar_index", this.cursor.bar);
      this.set("selected_bars", this.selection || []);
    }, 120);
  }

  scrollToBar(bar) {
    const line = lineOf(this.sheet, bar);
    const { scrollTop: top, clientHeight: height } = this.scroller;
    if (line.y < top) this.scroller.scrollTop = line.y;
    else if (line.y + this.sheet.lineHeight > top + height) {
      this.scroller.scrollTop = Math.min(line.y, line.y + this.sheet.lineHeight - height);
    }
  }

  /** Where on the sheet the cursor's row is. */
  rowOfCursor() {
    return rowBase(this.sheet, this.rowOf.get(this.cursor.instrument) ?? 0) + lineOf(this.sheet, this.cursor.bar).y;
  }

  /** Whether the sheet is scrolled to where the cursor's row is. */
  rowIsSeen() {
    const y = this.rowOfCursor() - this.scroller.scrollTop;
    return y >= ROW_MARGIN && y + ROW_MARGIN <= this.size.height;
  }

  /** Scroll the sheet to the cursor. */
  scrollToCursor() {
    this.scrollToBar(this.cursor.bar);
    // A line may be higher than the sheet: its row counts.
    if (!this.rowIsSeen()) this.scroller.scrollTop = Math.max(this.rowOfCursor() - this.size.height / 2, 0);
  }

  /** Scroll sheet and page so that the cursor is seen. */
  reveal() {
    if (!this.sheet) return;
    this.scrollToCursor();
    const y = this.scroller.getBoundingClientRect().top + this.rowOfCursor() - this.scroller.scrollTop;
    bringIntoSight(this.el, y - 30, y + 30);
  }

  zoom(direction) {
    const now = ZOOMS.indexOf(this.barsPerLine());
    const next = ZOOMS[Math.min(Math.max(now + direction, 0), ZOOMS.length - 1)];
    this.set("bars_per_line", next);
    this.relayout();
    this.scrollToBar(this.cursor.bar);
  }

  setFocus(focused) {
    this.focused = focused;
    this.draw();
  }

  /** Escape: what is open closes, then what is chosen is let go, then the notebook has the keys. */
  leave() {
    if (this.model.get("show_keys")) this.toggleKeys();
    else if (this.toolbar.opened) {
      this.toolbar.open("");
      this.takeKeys();
    } else if (this.chosen.size) this.choose(new Map());
    else if (this.selection) this.select(null);
    else {
      giveKeysBack(this);
      this.say("The notebook has the keys; click the grid to have them back.");
    }
  }

  run(command, key = "", event = undefined) {
    this.keyTime = event?.timeStamp;
    if (!this.session.whole) return this.say("The song is still being opened: once more, please.");
    COMMANDS[command](this, key);
  }

  edit(edit) {
    const answer = edit && answerIn(this.chart, this.time, this.doubtBelow, edit);
    if (answer) {
      const others = this.answers.filter((a) => a.at !== answer.at || a.instrument !== answer.instrument);
      this.answers = [...others, { ...answer, seq: this.session.seq + 1 }].slice(-MOST_ANSWERS);
    }
    const seq = this.session.edit(edit);
    if (this.model.get("sound_hits")) {
      const struck = { "add note": [edit?.note?.instrument, edit?.note?.velocity], "move note": [edit?.to_instrument, 90],
        "change note": [edit?.instrument, edit?.velocity] }[edit?.edit];
      if (struck?.[1]) this.listener.strike(...struck);
    }
    return seq;
  }

  /** Let the recording be heard under the pointer. */
  scrub(line, x) {
    const { bars, end_s } = this.chart.time_map;
    const passage = { start_s: bars[line.first].beats_s[0], end_s: bars[line.last]?.beats_s[0] ?? end_s };
    this.listener.scrub(passage, timeAtX(line, this.time, x));
  }

  /** Where exported files lie, with links where the notebook's server can give them. */
  showFiles(files) {
    const parts = files.flatMap((path) => {
      const name = path.split(/[\\/]/).pop();
      const link = make("a", "", { target: "_blank", rel: "noopener", ...hrefOf(path) });
      link.textContent = name;
      return [" ", link];
    });
    const close = make("button", "", { type: "button", "aria-label": "Hide" });
    close.textContent = "×";
    close.addEventListener("click", () => {
      this.files.hidden = true;
      this.takeKeys();
    });
    this.files.replaceChildren(`Written to ${files[0].replace(/[\\/][^\\/]*$/, "")}:`, ...parts, " ", close);
    this.files.hidden = false;
    this.say("Score exported.");
    this.fit();
  }

  // -- asking --------------------------------------------------------------------------

  /** Ask for a few words over the sheet; `answer` gets them unless the user changes their mind. */
  ask(question, value, placeholder, answer) {
    const label = make("label", "");
    label.textContent = question;
    const input = make("input", "", { type: "text", maxlength: "80", placeholder });
    input.value = value;
    label.append(input);
    const ok = make("button", "", { type: "button" });
    ok.textContent = "OK";
    const close = () => {
      this.askBox.classList.remove("wbg-open");
      this.askBox.replaceChildren();
      this.takeKeys();
    };
    const give = () => {
      close();
      answer(input.value.trim());
    };
    ok.addEventListener("click", give);
    label.addEventListener("keydown", (event) => {
      if (event.key !== "Escape" && event.key !== "Enter") return;
      event.preventDefault();
      if (event.key === "Escape") close();
      else give();
    });
    this.askBox.replaceChildren(label, ok);
    this.askBox.classList.add("wbg-open");
    input.focus({ preventScroll: true });
  }

  // -- listening ------------------------------------------------------------------------

  togglePlaying() {
    if (this.listener.state !== "stopped") this.listener.stop();
    else this.startPlaying();
  }

  startPlaying() {
    const { chart, model } = this;
    const loop = model.get("loop");
    const line = lineOf(this.sheet, this.cursor.bar);
    const [first, last] = this.selection || (loop ? [this.cursor.bar, this.cursor.bar] : [this.cursor.bar, chart.bars.length - 1]);
    const end = last + 1 < chart.bars.length ? chart.time_map.bars[last + 1].beats_s[0] : chart.time_map.end_s;
    this.session.error = "";
    this.heardLine = line;
    this.listener.play({ start_s: chart.time_map.bars[first].beats_s[0], end_s: end, first_bar: first, last_bar: last, loop,
      speed_percent: model.get("speed_percent"), count_in_bars: model.get("count_in_bars") });
  }

  onListener() {
    const playing = this.listener.state === "playing";
    this.showState();
    this.drums?.update();
    if (this.model.get("playing") !== (this.listener.state !== "stopped")) {
      this.set("playing", this.listener.state !== "stopped");
    }
    if (playing) {
      this.follow();
    } else if (this.listener.state === "stopped") {
      this.playhead.hidden = true;
      this.heardBar = undefined;
      this.set("heard_bar", -1);
      this.finishTaps();
      this.draw();
    }
  }

  /** Each frame: the cursor stands where the sound is. */
  follow() {
    if (this.following) return;
    const step = () => {
      this.following = 0;
      if (this.listener.state !== "playing") return;
      this.following = requestAnimationFrame(step);
      const seconds = this.listener.heardAt();
      if (seconds === null) return;
      const { bar, position } = placeAt(this.time, seconds);
      const line = lineOf(this.sheet, bar);
      const x = xOf(this.sheet, bar, position);
      this.playhead.hidden = false;
      this.playhead.style.transform = `translate(${x}px, ${line.y + this.sheet.waveY - 4}px)`;
      const height = `${this.sheet.rowsBottom - this.sheet.waveY + 4}px`;
      if (this.playhead.style.height !== height) this.playhead.style.height = height;
      if (bar !== this.heardBar) {
        this.heardBar = bar;
        this.look(bar);
        this.set("heard_bar", bar);
        this.scrollToBar(bar);
        this.draw();
      }
    };
    this.following = requestAnimationFrame(step);
  }

  /** A tap on a "1", or on any beat. */
  tap(beats = false) {
    const seconds = this.listener.heardAt(this.keyTime || undefined);
    if (seconds === null) return this.say("Taps count while the recording plays: press Space, then t on every “1”, or T on every beat.");
    if (beats !== this.listener.tapsBeats) this.listener.taps = [];
    this.listener.tapsBeats = beats;
    this.listener.taps.push(seconds);
    const count = this.listener.taps.length;
    this.say(`${count} ${beats ? "beat" : "bar line"}${count > 1 ? "s" : ""} tapped; stop (Space) to lay the bars anew.`);
  }

  finishTaps() {
    const taps = this.listener.taps;
    this.listener.taps = [];
    const edit = this.listener.tapsBeats ? "tap beats" : "tap lines";
    if (!taps.length) return;
    this.edit({ edit, times_s: taps.map((t) => Math.round(t * 1e4) / 1e4) });
    this.say(`Bars laid anew from ${taps.length} tap${taps.length > 1 ? "s" : ""}.`);
  }

  destroy() {
    this.drop.forEach((drop) => drop());
    cancelAnimationFrame(this.frame);
    cancelAnimationFrame(this.following);
  }
}

function barLength(chart, bar) {
  const timed = chart.time_map.bars[bar];
  const [beats, unit] = (timed.length || timed.meter).split("/").map(Number);
  return beats / (unit || 1);
}

/** Address of a file on the notebook's server, where it lies under the server's folder. */
function hrefOf(path) {
  const config = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
  const root = (config.serverRoot || "").replace(/^~/, "").replace(/\/$/, "");
  const at = root ? path.indexOf(`${root}/`) : -1;
  if (at < 0) return {};
  const inside = path.slice(at + root.length + 1).split("/").map(encodeURIComponent).join("/");
  return { href: `${config.baseUrl || "/"}files/${inside}` };
}

/** Change a text only where it is another: the page is laid out anew after it. */
function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Corrections by what they would do, so that a question answered in seven bars is offered to the others once: first of each the
 * one that `e` means, else the last. @returns {[number, number[], string][][]} */
function sameOffers(offers, first) {
  const groups = new Map();
  for (const each of offers) {
    const [bar, others, words] = each;
    const key = JSON.stringify([others, words]);
    const same = groups.get(key) ?? [];
    groups.delete(key);  // the last correction stands last
    groups.set(key, same[0]?.[0] === first ? [...same, each] : [each, ...same]);
  }
  return [...groups.values()];
}

/** Something offered: a button that does it and one that lets it be. */
function offer(view, words, act, letBe) {
  const chip = make("span", "wbg-offer");
  const go = make("button", "", { type: "button" });
  go.textContent = words;
  const no = make("button", "", { type: "button", "aria-label": "Let these bars be" });
  no.textContent = "×";
  for (const [e, does] of [[go, act], [no, letBe]]) {
    e.addEventListener("click", () => {
      does();
      view.takeKeys();
    });
  }
  chip.append(go, no);
  return chip;
}

function sized(canvas, width, height, ratio) {
  const w = Math.round(width * ratio);
  const h = Math.round(height * ratio);
  if (canvas.width !== w || canvas.height !== h) {
    canvas.width = w;
    canvas.height = h;
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
  }
  return canvas.getContext("2d", { alpha: false });
}
